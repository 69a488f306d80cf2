"""Giving the dose.

The dose gate is asked once more inside the transaction that records the dose, with the volunteer's row and
the presence of the physicians locked: what it saw is what holds when the dose is written.
"""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from django.views.decorators.debug import sensitive_variables

from scheduling.models import CoverPresence, Dose, StepRecord, Visit
from scheduling.models.sheet import BACK_AT_MOST
from scheduling.rules.sheet import amount_is_right
from scheduling.selectors.gate import judged_gate, snapshot
from scheduling.selectors.today import clinicians_of
from scheduling.services.dose_refusals import note_refusal
from scheduling.services.dose_times import dose_correct, note_dose
from scheduling.services.past_the_gate import check_past_the_gate, note_past_the_gate
from scheduling.services.running import (
    Work,
    check_instant,
    note_deviation,
    reason_of,
    require_running,
    user_of,
    work_on,
    write_record,
)
from scheduling.services.two_people import check_outsiders, second_person, unsupervised
from screening.rules.dose_gate import GateResult
from screening.rules.gate_facts import GateFacts
from studylab.access import Actor, Cap, require
from studylab.allocation.selectors import kit_amount, kit_of
from studylab.allocation.services import kit_given
from studylab.audit.actions import Action
from studylab.db import service
from studylab.errors import Conflict, Refused, RefusedWithReasons
from studylab.participants.models import Deviation
from studylab.participants.services.checks import require_study
from studylab.participants.services.events import events_recount
from studylab.people.models import User
from studylab.studies.rules.protocol import Supply

__all__ = ["GateShut", "dose_correct", "dose_give"]


class GateShut(RefusedWithReasons):
    """The dose gate is shut: `reasons` say what and who does what, `codes` name them."""

    def __init__(self, reasons: list[str], codes: list[str]) -> None:
        super().__init__(
            "No dose: the gate is shut. Nothing was recorded as given.", reasons, code="gate_shut"
        )
        self.codes = tuple(codes)


@dataclass(frozen=True, slots=True)
class Amount:
    """Count and strength (mg) as one person read them from the container."""

    count: int
    strength_mg: Decimal

    @classmethod
    def read(cls, count: int, strength_mg: Decimal | float) -> "Amount":
        """Return the amount with the strength as an exact decimal."""
        return cls(count, Decimal(str(strength_mg)))


@dataclass(frozen=True, slots=True)
class _Giving:
    """What the two people in the room say."""

    kit_number: str
    first: Amount
    second: Amount
    second_person: User
    mouth_checked: bool
    given_at: datetime
    client_id: UUID
    past_the_gate: str = (
        ""  # why it was swallowed although the gate did not open, or is recorded late
    )


@sensitive_variables("second_password")
def dose_give(
    *,
    visit: Visit,
    kit_number: str,
    count: int,
    strength_mg: Decimal | float,
    second_email: str,
    second_password: str,
    second_count: int,
    second_strength_mg: Decimal | float,
    mouth_checked: bool,
    given_at: datetime,
    client_id: UUID,
    past_the_gate: str | None = None,
    actor: Actor,
) -> Dose:
    """Record the dose as given, if the dose gate is open at `given_at` and both people read the right amount.

    `past_the_gate` says why a capsule was swallowed all the same, or was not recorded at once: then the gate's reasons
    are kept in a deviation and refuse nothing. One that nobody knows of would have no wait, and a second could follow.
    The second person, another member of the study, reads the container without seeing the first entry and enters
    their own password. A refusal stays on the trail. The same `client_id` sent again returns the dose.
    """
    require(actor, Cap.VISIT_RUN)
    require_study(actor, visit.participant.study_id)
    why = _why(past_the_gate)
    sent = _sent_before(client_id, visit, actor)
    if sent is not None:
        return sent
    giving = _Giving(
        kit_number=kit_number,
        first=Amount.read(count, strength_mg),
        second=Amount.read(second_count, second_strength_mg),
        second_person=second_person(visit.participant, second_email, second_password, actor),
        mouth_checked=mouth_checked,
        given_at=given_at,
        client_id=client_id,
        past_the_gate=why,
    )
    try:
        return _dose_write(visit=visit, giving=giving, actor=actor)
    except Refused as refusal:
        if refusal.code:
            codes = refusal.codes if isinstance(refusal, GateShut) else (refusal.code,)
            note_refusal(visit=visit, codes=list(codes), kit_number=kit_number, actor=actor)
        raise


def _why(past_the_gate: str | None) -> str:
    if past_the_gate is None:
        return ""
    return reason_of(past_the_gate, ask="Say how it came about.", field="past_the_gate")


def _sent_before(client_id: UUID, visit: Visit, actor: Actor) -> Dose | None:
    record = StepRecord.objects.filter(client_id=client_id).first()
    if record is None:
        return None
    dose = Dose.objects.filter(visit=visit, uid=record.value.get("dose")).first()
    if (
        dose is None
        or record.visit_id != visit.pk
        or record.recorded_by_id not in (None, actor.user_id)
    ):
        raise Conflict(
            "This entry was sent for something else. Reload the page and enter it again."
        )
    return dose


@service
def _dose_write(*, visit: Visit, giving: _Giving, actor: Actor) -> Dose:
    work = work_on(visit, actor)
    sent = _sent_before(giving.client_id, work.visit, actor)
    if sent is not None:
        return sent
    require_running(work.visit)
    check_instant(giving.given_at, work, field="given_at")
    facts, result = _asked(work, giving, actor)
    kit = kit_of(work.participant)
    assert kit is not None, "the gate is open or the kit was looked at, so there is one"
    deviation = note_past_the_gate(work, giving.past_the_gate, giving.given_at, result, actor)
    dose = Dose.objects.create(
        visit=work.visit,
        participant=work.participant,
        kit=kit,
        count=giving.first.count,
        strength_mg=giving.first.strength_mg,
        given_at=giving.given_at,
        wait=work.protocol.dose_wait.length,
        recorded_at=work.now,
        given_by_id=user_of(actor),
        checked_by=giving.second_person,
        mouth_checked=giving.mouth_checked,
        gate=snapshot(facts, result, giving.given_at),
        deviation=deviation,
    )
    kit_given(
        kit=kit, participant=work.participant, second=giving.second_person,
        visit_uid=work.visit.uid, at=giving.given_at, actor=actor,
    )  # fmt: skip
    _record_step(work, dose, giving, actor)
    note_dose(dose, Action.DOSE_GIVEN, actor)
    events_recount(participant=work.participant, actor=actor)
    return dose


def _asked(work: Work, giving: _Giving, actor: Actor) -> tuple[GateFacts, GateResult]:
    """Ask the gate with the cover locked. A capsule not yet swallowed is refused for any of its reasons."""
    _hold_cover(work)
    facts, result = judged_gate(visit=work.visit, kit_number=giving.kit_number, at=giving.given_at)
    amounts = _amount_problems(work, giving)
    if giving.past_the_gate:
        check_past_the_gate(work, giving.kit_number, giving.second_person, amounts)
    else:
        check_outsiders(
            work, giving.second_person, actor
        )  # what was swallowed is on record by anybody
        _check_at_once(giving.given_at, work)
        _check_open(result, amounts + unsupervised(work, user_of(actor), giving.second_person))
    return facts, result


def _check_at_once(given_at: datetime, work: Work) -> None:
    if work.now - given_at > BACK_AT_MOST:
        raise Refused(
            "A dose is recorded within 10 minutes of giving it. Check the time; if it is right, tell the "
            "physician now and record it under “Swallowed, but not on record”.",
            field="given_at",
            code="given_long_ago",
        )


def _hold_cover(work: Work) -> None:
    """Lock the presences that the gate is about to count on, so that nobody checks out meanwhile."""
    clinicians = clinicians_of(work.participant.study, work.now)
    rows = CoverPresence.objects.select_for_update().filter(
        user__in=clinicians, checked_out_at=None
    )
    list(rows.order_by("id"))


def _check_open(result: GateResult, amounts: list[tuple[str, str]]) -> None:
    told = [(reason.code, f"{reason.what} {reason.fix}") for reason in result.reasons] + amounts
    if told:
        raise GateShut([sentence for _, sentence in told], [code for code, _ in told])


def _amount_problems(work: Work, giving: _Giving) -> list[tuple[str, str]]:
    """Compare three readings with the protocol: the first person's, the second's, and the kit's own record.

    No sentence says what the other person entered: each reads the container, not the screen.
    """
    supply: Supply = work.protocol.supply
    wanted = f"{supply.count} × {supply.strength_mg:g} mg"
    problems = []
    entered = (("you", giving.first), ("the second person", giving.second))
    for who, amount in entered:
        if not amount_is_right(amount.count, amount.strength_mg, supply):
            sentence = (
                f"What {who} read from the container is not the protocol's dose, {wanted}. Stop, put the kit "
                "aside and call the pharmacist."
            )
            problems.append(("amount_wrong", sentence))
    kit = kit_of(work.participant)
    on_record = kit_amount(kit) if kit else None
    if on_record and not amount_is_right(on_record.count, on_record.strength_mg, supply):
        sentence = f"The kit was not received as {wanted}. Put it aside and call the pharmacist."
        problems.append(("amount_wrong", sentence))
    return problems


def _record_step(
    work: Work,
    dose: Dose,
    giving: _Giving,
    actor: Actor,
) -> None:
    deviation = dose.deviation
    if not dose.mouth_checked:
        deviation = note_deviation(
            visit=work.visit, kind=Deviation.Kind.STEP, subject="step dose", at=dose.given_at,
            what="The mouth was not checked after the dose, so it is not certain that it was swallowed.",
            actor=actor,
        )  # fmt: skip
    write_record(
        work=work, step=work.step_of_kind("dose"), occurred_at=dose.given_at, actor=actor,
        value={"dose": str(dose.uid), "kit": dose.kit.number}, client_id=giving.client_id,
        deviation=deviation,
    )  # fmt: skip
