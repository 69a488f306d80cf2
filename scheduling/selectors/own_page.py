"""What volunteers did about their visits on their own page: confirmations, and other times asked for."""

from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from django.db.models import F, QuerySet
from django.http import Http404

from scheduling.models import MoveProposal, OptionHold, Series, Visit, VisitConfirmation
from scheduling.selectors.wishes import current_hold
from studylab.participants.models import Participant
from studylab.studies.models import Study

WAITING, LAPSED, ACCEPTED, DECLINED = "waiting", "lapsed", "accepted", "declined"


@dataclass(frozen=True, slots=True)
class Asked:
    """Another time that was asked for, how it stands, and the word of who declined."""

    proposal: MoveProposal
    state: str
    word: str = ""

    @property
    def kind(self) -> str:
        """Shape of the state."""
        return {WAITING: "warn", LAPSED: "stop", ACCEPTED: "ok", DECLINED: "info"}[self.state]


def confirmed_at(series: Series) -> dict[tuple[int, datetime], datetime]:
    """Return when each visit was confirmed, by its id and the planned start that was confirmed."""
    rows = VisitConfirmation.objects.filter(visit__series=series)
    return {(row.visit_id, row.start): row.at for row in rows}


def asked_for(series: Series, at: datetime) -> dict[tuple[int, datetime], Asked]:
    """Return the newest proposal for each visit, by its id and the time that it was to leave."""
    found = {}
    for one in _rows().filter(visit__series=series):
        found[one.visit_id, one.old_start] = _asked(one, at)
    return found


def confirmations_of(participant: Participant) -> QuerySet[VisitConfirmation]:
    """Return the confirmations that count: of visits to come at the time that was confirmed."""
    return (
        VisitConfirmation.objects.filter(
            participant=participant, visit__state=Visit.State.BOOKED,
            visit__planned__startswith=F("start"),
        )
        .select_related("visit")
        .order_by("start")
    )  # fmt: skip


def proposals_of(participant: Participant, at: datetime) -> list[Asked]:
    """Return every other time that a volunteer asked for, the newest first."""
    return [_asked(one, at) for one in _rows().filter(participant=participant).order_by("-id")]


def open_proposals(study: Study, at: datetime) -> list[Asked]:
    """Return what nobody answered, lapsed or not, while its visit still stands where it was, the oldest first."""
    rows = _rows().filter(
        participant__study=study, answer=None, visit__state=Visit.State.BOOKED,
        participant__status=Participant.Status.ACTIVE, visit__planned__startswith__gt=at,
    )  # fmt: skip
    newest = {one.visit_id: one for one in rows if one.old_start == one.visit.planned.lower}
    return [_asked(one, at) for one in newest.values()]


def proposal_shown(proposal: MoveProposal, at: datetime) -> Asked:
    """Return one proposal as it stands."""
    return _asked(proposal, at)


def access_proposal(participant: Participant, uid: UUID) -> MoveProposal:
    """Return a proposal of this volunteer, or raise Http404."""
    found = _rows().filter(participant=participant, uid=uid).first()
    if found is None:
        raise Http404("There is no such page.")
    return found


def own_visit(participant: Participant, number: int) -> Visit:
    """Return the visit of the newest series with this number, or raise Http404."""
    newest = Series.objects.filter(participant=participant).order_by("-pk").first()
    found = (
        Visit.objects.select_related("series__protocol_version", "participant__study")
        .filter(series=newest, number=number)
        .first()
    )
    if newest is None or found is None:
        raise Http404("There is no such page.")
    return found


def held_for_visit(visit: Visit, at: datetime) -> OptionHold | None:
    """Return what is held for a move of this visit now, and not asked for yet."""
    hold = current_hold(visit.participant, at)
    if hold is None or not hold.option or hold.option[0][0] != visit.number:
        return None
    return None if MoveProposal.objects.filter(hold=hold).exists() else hold


def waits_for_answer(visit: Visit, at: datetime) -> bool:
    """Whether the newest time asked for in place of this visit is still held."""
    newest = _rows().filter(visit=visit).last()
    return newest is not None and newest.hold.until > at


def _rows() -> QuerySet[MoveProposal]:
    return MoveProposal.objects.select_related(
        "participant__study", "visit__series", "hold__protocol_version", "answer__by"
    ).order_by("id")


def _asked(one: MoveProposal, at: datetime) -> Asked:
    answer = getattr(one, "answer", None)
    if answer is not None:
        return Asked(one, ACCEPTED if answer.accepted else DECLINED, answer.word)
    stands = one.hold.is_active and one.hold.until > at
    return Asked(one, WAITING if stands else LAPSED)
