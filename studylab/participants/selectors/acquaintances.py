"""Who knows whom among the volunteers, and who is kept apart."""

from django.db.models import Q

from studylab.participants.models import Acquaintance, Participant


def acquaintances_of(participant: Participant) -> list[Acquaintance]:
    """Return every decision about this volunteer and another one, the newest first."""
    mine = Q(one=participant) | Q(other=participant)
    rows = Acquaintance.objects.filter(mine).select_related("one", "other", "by")
    return list(rows.order_by("-id"))


def apart_from(person_id: int) -> set[int]:
    """Return the ids of the volunteers from whom a person is kept apart, in whatever study."""
    mine = Q(one__person_id=person_id) | Q(other__person_id=person_id)
    rows = Acquaintance.objects.filter(mine).order_by("id")
    newest = {
        (one, other): apart and (other if person == person_id else one)
        for one, other, apart, person in rows.values_list(
            "one_id", "other_id", "apart", "one__person_id"
        )
    }
    return {found for found in newest.values() if found}
