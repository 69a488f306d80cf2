"""The allocation number: after consent and a current sign-off, never before."""

from screening.models import AnswerSet
from screening.selectors.answers import newest_answers
from screening.selectors.sign_off import sign_off_state
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import ListEntry
from studylab.allocation.rules.replacing import RULES
from studylab.allocation.selectors.facts import places_taken_in
from studylab.allocation.services import entry_issue
from studylab.db import service
from studylab.errors import Refused
from studylab.participants.models import Consent, Participant
from studylab.participants.selectors import current_consent
from studylab.participants.services.checks import lock_participant, require_active
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import current_protocol


@service
def number_issue(*, participant: Participant, actor: Actor) -> ListEntry:
    """Issue the next allocation number to a consented, signed-off volunteer.

    Strata are read from the answers at screening that carry their names.
    """
    require(actor, Cap.NUMBER_ISSUE)
    participant = lock_participant(participant, actor)
    require_active(participant)
    protocol = current_protocol(participant.study)
    if not protocol.confirmed:
        raise Refused(
            "No physician has confirmed the limits of this protocol, so no number is issued."
        )
    now = clock.now()
    consent = current_consent(participant, Consent.Kind.STUDY)
    if consent is None or consent.signed_at >= now:
        raise Refused("There is no consent to the study yet, so no number is issued.")
    state = sign_off_state(participant, now)
    if not state.eligible:
        raise Refused(f"No number is issued without a current sign-off as eligible. {state.why}")
    _check_place(participant.study, protocol.plan)
    return entry_issue(
        participant=participant,
        stratum_values=_strata(participant, tuple(protocol.plan.allocation.strata)),
        actor=actor,
    )


def _check_place(study: Study, plan: Protocol) -> None:
    """Refuse a number when all places are taken; the list may be longer, for those who are replaced."""
    if places_taken_in(study, plan.replaced) >= plan.target:
        raise Refused(
            f"All {plan.target} places of the study are taken, so no number is issued. By the protocol "
            f"{RULES[plan.replaced]}."
        )


def _strata(participant: Participant, names: tuple[str, ...]) -> dict[str, str]:
    answers = newest_answers(participant, AnswerSet.When.SCREENING) if names else None
    values = {}
    for name in names:
        value = (answers.answers.get(name) or {}).get("value") if answers else None
        if not value:
            raise Refused(
                f"The list is split by “{name}”, and the questionnaire has no answer to it."
            )
        values[name] = str(value)
    return values
