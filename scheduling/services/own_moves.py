"""Another time that a volunteer asks for on their own page: held, asked for or taken, and answered by staff."""

from datetime import UTC, datetime

from scheduling.models import MoveAnswer, MoveProposal, OptionHold, Visit
from scheduling.rules.search import SeriesOption
from scheduling.selectors.sealed import option_from_json
from scheduling.services.change import check_move, move
from scheduling.services.holding import hold_places, holds_lock
from scheduling.services.own_page import lock_own
from scheduling.services.writing import end_holds, same_study
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Participant
from studylab.participants.services.checks import said
from studylab.studies.rules.volunteer_texts import ALONE
from studylab.studies.selectors import current_protocol, plan_of

WHY = "Asked for by the volunteer on their own page."
LAPSED = "The time was held for ten minutes and is free for others again. It has to be chosen anew."


@service
def own_move_hold(*, visit: Visit, option: SeriesOption, actor: Actor) -> OptionHold:
    """Hold another time of a volunteer's own visit for ten minutes, under the checks of a move by staff."""
    row = lock_own(visit, actor)
    person, series, now = row.participant, row.series, clock.now()
    holds_lock(person, now)
    check_move(series, row, option, now)
    return hold_places(person, series.protocol_version, option, actor)


@service
def own_move_ask(*, visit: Visit, hold: OptionHold, actor: Actor) -> MoveProposal | None:
    """Ask the coordinator for the time that is held; where the study lets volunteers move by themselves, move.

    Returns the proposal, None after a move. Asked again for the same hold, the first proposal is returned.
    """
    row = lock_own(visit, actor)
    hold = lock(OptionHold, "protocol_version", pk=hold.pk)
    if hold.participant_id != row.participant_id or hold.option[0][0] != row.number:
        raise NotAllowed("This is another volunteer's.")
    asked = MoveProposal.objects.filter(hold=hold).first()
    if asked is not None:
        return asked
    option = _held(hold)
    if current_protocol(row.participant.study).plan.texts.moves == ALONE:
        move(row, option, WHY, actor)
        end_holds([hold.pk])
        return None
    made = MoveProposal.objects.create(
        participant=row.participant, visit=row, hold=hold, old_start=row.planned.lower,
        new_start=option.visits[0].start, at=clock.now(),
    )  # fmt: skip
    _note(actor, Action.MOVE_PROPOSED, made)
    return made


@service
def own_move_answer(
    *,
    proposal: MoveProposal,
    accepted: bool,
    word: str,
    again: SeriesOption | None = None,
    actor: Actor,
) -> MoveAnswer:
    """Accept a proposal, which moves the visit like any move by staff, or decline it with a word to the volunteer.

    Conflict when it was answered, or accepted after its hold has lapsed without `again`: the same times, found free anew.
    """
    require(actor, Cap.SERIES_BOOK)
    if actor.user_id is None:
        raise NotAllowed("A person does this, never the house by itself.")
    person = lock(Participant, pk=proposal.participant_id)
    same_study(actor, person)
    if MoveAnswer.objects.filter(proposal=proposal).exists():
        raise Conflict("Somebody else answered this meanwhile.")
    hold = lock(OptionHold, "protocol_version", pk=proposal.hold_id)
    text = word.strip()[:300] if accepted else said(word, field="word", ask="Say a word to the volunteer: they read it.", most=300)  # fmt: skip
    if accepted:
        visit = Visit.objects.select_related("series__protocol_version", "participant__study").get(
            pk=proposal.visit_id
        )
        if visit.planned.lower != proposal.old_start:
            raise Conflict("The visit was moved meanwhile, so this no longer fits.")
        move(visit, _found_again(hold, again) if again else _held(hold), WHY, actor)
    end_holds([hold.pk])
    made = MoveAnswer.objects.create(
        proposal=proposal, accepted=accepted, word=text, at=clock.now(), by_id=actor.user_id
    )
    _note(actor, Action.MOVE_ANSWERED, proposal, text, accepted=accepted)
    return made


def _held(hold: OptionHold) -> SeriesOption:
    """Return what is held; Conflict once the ten minutes are over."""
    if not hold.is_active or hold.until <= clock.now():
        raise Conflict(LAPSED, code="hold_lapsed")
    return option_from_json(plan_of(hold.protocol_version), hold.option)


def _found_again(hold: OptionHold, again: SeriesOption) -> SeriesOption:
    """Return what was found anew; the volunteer asked for these times and for no others."""
    asked = [(row[0], datetime.fromtimestamp(row[1], UTC)) for row in hold.option]
    if [(row.number, row.start) for row in again.visits] != asked:
        raise Conflict("These are not the times that the volunteer asked for.")
    return again


def _note(
    actor: Actor, action: Action, proposal: MoveProposal, reason: str = "", **more: object
) -> None:
    audit(
        actor=actor, action=action, subject_type="visit", subject_code=proposal.visit.uid,
        participant_code=proposal.participant.code, reason=reason,
        data={"before": proposal.old_start.isoformat(), "asked": proposal.new_start.isoformat(), **more},
    )  # fmt: skip
