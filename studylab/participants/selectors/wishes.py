"""What those who left said may happen with them and their data."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from django.db.models import Exists, OuterRef

from studylab.audit.history import STANDS
from studylab.participants.models import Consent, LeavingWish, Participant, VolunteerWord
from studylab.studies.models import Study

_unwell_since = VolunteerWord.objects.filter(
    participant=OuterRef("participant"), kind=VolunteerWord.Kind.UNWELL, at__gte=OuterRef("recorded_at")
)  # fmt: skip
NOT_ASKED = "not_asked"


def wishes_of(participant: Participant) -> list[LeavingWish]:
    """Return every entry, the newest first: that one stands."""
    return list(
        LeavingWish.objects.filter(participant=participant)
        .select_related("recorded_by", "supersedes")
        .order_by("-id")
    )


def standing_wish(participant: Participant) -> LeavingWish | None:
    """Return the entry that stands, None when nothing was said."""
    return LeavingWish.objects.filter(STANDS, participant=participant).first()


def uses_of(people: Iterable[int]) -> dict[int, str]:
    """Return what each of these people said about the data collected so far; who said nothing is left out."""
    standing = LeavingWish.objects.filter(STANDS, participant__in=people)
    return dict(standing.values_list("participant_id", "use"))


def use_changes(study: Study) -> dict[int, list[tuple[datetime, bool]]]:
    """Return by person when it was recorded that the data may (False) or may not (True) be used, in order."""
    found: dict[int, list[tuple[datetime, bool]]] = defaultdict(list)
    rows = LeavingWish.objects.filter(participant__study=study).order_by("id")
    for person, at, use in rows.values_list("participant_id", "recorded_at", "use"):
        found[person].append((at, use == LeavingWish.Use.NO_USE))
    return dict(found)


def wants_no_safety_contact(study: Study) -> dict[int, str]:
    """Return who asked not to be contacted for safety any more: row number and code.

    Whoever wrote since that they do not feel well asked to be heard: they are called like everybody else.
    """
    standing = LeavingWish.objects.filter(
        STANDS, ~Exists(_unwell_since), participant__study=study,
        safety_contact=LeavingWish.Answer.NO,
    )  # fmt: skip
    return dict(standing.order_by("participant__code").values_list("participant_id", "participant__code"))  # fmt: skip


def unwell_since(wish: LeavingWish) -> VolunteerWord | None:
    """Return what a volunteer who said this wrote later about not feeling well, the newest; None when nothing."""
    rows = VolunteerWord.objects.filter(
        participant=wish.participant_id, kind=VolunteerWord.Kind.UNWELL, at__gte=wish.recorded_at
    )
    return rows.order_by("-id").first()


def to_ask(study: Study) -> list[Participant]:
    """Return who consented, withdrew and was not asked yet what may happen, the longest waiting first."""
    consented = Consent.objects.filter(kind=Consent.Kind.STUDY).values("participant")
    return list(
        Participant.objects.filter(
            study=study, status=Participant.Status.WITHDRAWN, wishes=None, pk__in=consented
        ).order_by("status_at", "id")
    )
