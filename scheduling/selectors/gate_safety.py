"""How safety in the whole study stands, in the words of the dose gate, and the tally shown beside it."""

from dataclasses import dataclass
from datetime import datetime

from scheduling.models import Visit
from screening.rules.gate_safety import CareFact, NewsFact, SafetyFact
from studylab.participants.doses import doses_of
from studylab.participants.models import CareStatus, DosingPause, Participant
from studylab.participants.selectors.safety import (
    News,
    Tally,
    news_for,
    open_pauses,
    people_in_care,
    symptoms_not_written,
    tally,
    unread,
)
from studylab.studies.models import Study
from studylab.studies.rules.protocol import Protocol


def safety_fact(participant: Participant, protocol: Protocol, at: datetime) -> SafetyFact:
    """Return what the events of everybody say about a dose for this person at `at`."""
    study = participant.study
    pauses = list(open_pauses(study))
    waiting = unread(study, protocol.safety, at)
    named = [(f"{one.entry.term.capitalize()} of {one.entry.event.participant.code}", one) for one in waiting]  # fmt: skip
    return SafetyFact(
        pauses=tuple(
            f"{pause.why}: {pause.text}."
            for pause in pauses
            if pause.kind == DosingPause.Kind.RULE
        ),
        care=tuple(
            CareFact(
                who=one.pause.event.participant.code if one.pause.event else "Somebody",
                counts_until=one.newest.counts_until if one.newest else None,
                ended=one.newest is not None and one.newest.status == CareStatus.Status.HOME,
                overridden=False,  # a pause that two have signed is over and stands here no more
            )
            for one in people_in_care(study, pauses)
        ),
        unread=(
            *(f"{words} after a dose was read by no clinician yet." for words, one in named if one.old),
            *(
                f"{code} told of symptoms after the dose that are not written down as an event."
                for code in symptoms_not_written(study, at)
                if code != participant.code
            ),
        ),
        unexpected=tuple(
            f"{words}, unexpected and among the first people dosed, was looked at by no clinician yet."
            for words, one in named
            if one.first
        ),
        news=tuple(_news(row) for row in news_for(participant)),
    )  # fmt: skip


def _news(row: News) -> NewsFact:
    return NewsFact(
        what="There is something new about safety to tell this person",
        approved=row.text is not None,
        choice=row.answer.choice if row.answer else None,
    )


@dataclass(frozen=True, slots=True)
class Beside:
    """What the gate shows beside its reasons: symptoms after dosing, and what this person has to be told."""

    dosed: int
    tally: list[Tally]
    news: list[News]


def beside_gate(study: Study, participant: Participant) -> Beside:
    """Return the blinded tally of symptoms after dosing, and the news for this person."""
    dosed = len(doses_of(study))
    return Beside(dosed, tally(study, dosed), news_for(participant))


def booked_names(visit: Visit, kind: str) -> list[str]:
    """Return who or what of a kind is booked for a visit, by name."""
    of_kind = visit.bookings.filter(is_active=True, place__resource__kind=kind)
    return list(of_kind.order_by("during", "id").values_list("place__resource__name", flat=True))
