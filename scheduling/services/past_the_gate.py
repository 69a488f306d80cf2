"""A capsule that was swallowed although the gate did not open, or that was not recorded at once."""

from datetime import datetime

from scheduling.models import Dose
from scheduling.selectors.today import clinicians_of
from scheduling.services.running import Work, note_deviation
from screening.rules.dose_gate import GateResult
from studylab.access import Actor
from studylab.allocation.selectors import kit_of
from studylab.codes import normalise
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation
from studylab.people.models import User

ELSE = "Call the physician now, and record what happened as an adverse event and a deviation."


def check_past_the_gate(
    work: Work, kit_number: str, second: User, amounts: list[tuple[str, str]]
) -> None:
    """Refuse what cannot be recorded as this person's one dose: another kit or amount, or a second dose.

    The second person is a clinician of the study: whoever swallowed something unplanned is looked after from then on.
    """
    if second.pk not in clinicians_of(work.participant.study, work.now):
        raise Refused(
            "For a capsule swallowed past the gate the second person is a clinician of this study. Call one now.",
            field="second_email",
            code="past_gate_clinician_needed",
        )
    if Dose.objects.filter(participant=work.participant).exists():
        raise Conflict(
            f"A dose is on record for this volunteer already. If this was a second one: {ELSE}",
            code="past_gate_already_dosed",
        )
    kit = kit_of(work.participant)
    if kit is None or normalise(kit_number) != kit.number:
        raise Refused(
            f"This is not the kit that was handed out for this volunteer. {ELSE}",
            field="kit_number",
            code="past_gate_kit_wrong",
        )
    if amounts:
        raise RefusedWithReasons(
            f"This cannot be recorded as the protocol's dose. {ELSE}",
            [sentence for _, sentence in amounts],
            code="past_gate_amount_wrong",
        )


def note_past_the_gate(
    work: Work, why: str, given_at: datetime, result: GateResult, actor: Actor
) -> Deviation | None:
    """Write the deviation with everything that the gate says about that moment; None when `why` is empty."""
    if not why:
        return None
    minutes = int((work.now - given_at).total_seconds() // 60)
    told = " ".join(reason.what for reason in result.reasons) or "Nothing stood against it."
    return note_deviation(
        visit=work.visit, kind=Deviation.Kind.DOSE, subject="step dose", at=given_at, actor=actor, reason=why,
        what=f"The capsule was swallowed without the gate; recorded {minutes} minutes later. What the gate says about "
        f"that moment: {told}",
    )  # fmt: skip
