"""Reading and verifying the trail."""

from dataclasses import dataclass

from django.db.models import QuerySet

from studylab.audit.models import Event, Link
from studylab.audit.services import CHAIN_START, event_digest


@dataclass(frozen=True, slots=True)
class Verification:
    """Outcome of a walk along the chain. `broken_at` is the first event whose link does not fit."""

    links: int
    unsealed: int
    broken_at: int | None
    problem: str = ""

    @property
    def intact(self) -> bool:
        """Whether every link fits."""
        return self.broken_at is None


def verify_chain() -> Verification:
    """Recompute every link in order; memory stays constant."""
    previous, count = CHAIN_START, 0
    links = Link.objects.select_related("event").order_by("id")
    for link in links.iterator(chunk_size=2000):
        if event_digest(previous, link.event) != link.hash:
            return Verification(
                links=count, unsealed=0, broken_at=link.event_id,
                problem=f"Event {link.event_id} or the link before it does not match its seal.",
            )  # fmt: skip
        previous = link.hash
        count += 1
    unsealed = Event.objects.filter(link=None).count()
    return Verification(links=count, unsealed=unsealed, broken_at=None)


def events_of_study(study_id: int) -> QuerySet[Event]:
    """Events of one study, newest first."""
    return Event.objects.filter(study_id=study_id).order_by("-id")


def events_of_participant(study_id: int, code: str) -> QuerySet[Event]:
    """Events about one volunteer, oldest first."""
    return Event.objects.filter(study_id=study_id, participant_code=code).order_by("id")
