"""What physicians asked for and nobody has brought yet, and from whom."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Exists, OuterRef
from django.http import Http404

from screening.models import RequestAnswer, SignOff
from studylab.access import Role
from studylab.participants.models import Participant
from studylab.studies.models import Study

VOLUNTEER = "volunteer"
# Who can be asked, in the words of the page. What the volunteer has to bring is asked for by the coordinator.
WHO = {
    VOLUNTEER: "the volunteer, through the coordinator",
    Role.COORDINATOR.value: "coordinator",
    Role.EXPERIMENTER.value: "experimenter",
    Role.CLINICIAN.value: "another clinician",
}


@dataclass(frozen=True, slots=True)
class AskedFor:
    """One thing a physician asked for. `answer` is None while nobody brought it."""

    sign_off: SignOff
    index: int
    what: str
    who: str
    answer: RequestAnswer | None

    @property
    def who_words(self) -> str:
        """From whom, in words."""
        return WHO.get(self.who, self.who)

    def is_for(self, roles: Iterable[Role]) -> bool:
        """Whether it is a task of one of these roles."""
        role = Role.COORDINATOR.value if self.who == VOLUNTEER else self.who
        return role in {one.value for one in roles}


def asked_for(study: Study) -> dict[int, list[AskedFor]]:
    """Return what the newest sign-offs of active people ask for, by participant id."""
    newer = SignOff.objects.filter(participant=OuterRef("participant"), pk__gt=OuterRef("pk"))
    open_ones = list(
        SignOff.objects.filter(
            ~Exists(newer), decision=SignOff.Decision.NEEDS_MORE,
            participant__study=study, participant__status=Participant.Status.ACTIVE,
        )
        .order_by("participant_id")
        .select_related("participant")
    )  # fmt: skip
    answers: dict[tuple[int, int], RequestAnswer] = {
        (answer.sign_off_id, answer.index): answer
        for answer in RequestAnswer.objects.filter(sign_off__in=open_ones).select_related(
            "answered_by"
        )
    }
    found: dict[int, list[AskedFor]] = defaultdict(list)
    for sign_off in open_ones:
        for index, item in enumerate(sign_off.requests):
            found[sign_off.participant_id].append(
                AskedFor(
                    sign_off, index, item["what"], item["who"], answers.get((sign_off.pk, index))
                )
            )
    return found


def open_requests(study: Study) -> list[AskedFor]:
    """Return what nobody brought yet, what was asked for first on top."""
    everything = [one for several in asked_for(study).values() for one in several]
    waiting = [one for one in everything if one.answer is None]
    return sorted(waiting, key=lambda one: (one.sign_off.signed_at, one.sign_off.pk, one.index))


def all_brought(requests: list[AskedFor]) -> bool:
    """Whether something was asked for and every part of it is there."""
    return bool(requests) and all(one.answer is not None for one in requests)


def access_request(study: Study, code: str, signature: UUID, index: int) -> AskedFor:
    """Return one thing asked for in this study's newest sign-off of somebody, else 404."""
    for several in asked_for(study).values():
        for one in several:
            same = one.sign_off.participant.code == code and one.index == index
            if same and one.sign_off.signature.uid == signature:
                return one
    raise Http404("Nobody asks for this any more.")
