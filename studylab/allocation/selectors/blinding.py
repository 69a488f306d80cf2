"""Who practised, which cards there are, what was guessed: facts without arms."""

from collections.abc import Collection
from datetime import datetime, timedelta
from hashlib import sha256

from django.db.models import QuerySet

from studylab.allocation.gates import mark_of_key
from studylab.allocation.models import CodeCard, Drill, Guess, Learnt
from studylab.allocation.rules.rescue import RESCUE_FACTS
from studylab.participants.models import Participant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

DRILL_HOLDS = timedelta(days=90)


def drills_of(study: Study) -> list[Drill]:
    """Return who practised opening a code, the newest first."""
    return list(Drill.objects.filter(study=study).select_related("by").order_by("-ended_at", "-id"))


def drill_valid_until(study: Study, user_id: int) -> datetime | None:
    """Return until when this clinician's practice counts; None without one that counts.

    It counts when it was done from outside the lab and telephone numbers, text and key are still those of then.
    """
    last = _drills_that_count(study).filter(by_id=user_id).order_by("-ended_at", "-id").first()
    return last.ended_at + DRILL_HOLDS if last else None


def unpractised(study: Study, users: Collection[int], at: datetime) -> set[int]:
    """Return which of these clinicians have no practice that counts at `at`."""
    recent = _drills_that_count(study).filter(ended_at__gt=at - DRILL_HOLDS, ended_at__lte=at)
    return set(users) - set(recent.filter(by__in=users).values_list("by_id", flat=True))


def _drills_that_count(study: Study) -> QuerySet[Drill]:
    return Drill.objects.filter(study=study, outside=True, rests_on=opening_rests_on(study))


def opening_rests_on(study: Study) -> str:
    """Return a digest of what an opening relies on: telephone numbers, what the doctor is told, and the key."""
    parts = [emergency_numbers(study), repr(RESCUE_FACTS), mark_of_key()]
    return sha256("\n".join(parts).encode()).hexdigest()


def cards_of(study: Study) -> list[CodeCard]:
    """Return the study's paper cards with what became of them, sealed ones first."""
    cards = CodeCard.objects.filter(entry__list__study=study).select_related(
        "entry__participant", "printed_by", "line__by"
    )
    numbers = emergency_numbers(study)
    found = list(cards.defer("entry__box").order_by("entry__number", "printed_at", "id"))
    for card in found:
        card.outdated = card.numbers != numbers  # type: ignore[attr-defined]
    return sorted(found, key=lambda card: hasattr(card, "line"))


def learnt_of(study: Study) -> list[Learnt]:
    """Return accidental unblindings, the newest first."""
    rows = Learnt.objects.filter(participant__study=study).select_related("participant", "by")
    return list(rows.order_by("-occurred_at", "-id"))


def guesses_missing(participant: Participant, stage: str) -> list[str]:
    """Return whose guess of a stage is still to be asked: "volunteer", "experimenter"."""
    given = Guess.objects.filter(participant=participant, stage=stage)
    told = set(given.values_list("teller", flat=True))
    return [teller for teller in Guess.Teller.values if teller not in told]


def emergency_numbers(study: Study) -> str:
    """Return the telephone numbers that a drill and a card rely on; when they change, both are out of date."""
    plan = current_protocol(study).plan
    return f"{plan.emergency_number} / {plan.phone_24h}"[:200]
