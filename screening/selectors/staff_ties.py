"""Volunteers who may be related to staff: by what they said, or by contact details that are the same.

Only that there is a match and with whom is returned; no contact detail leaves this place.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models.fields.json import KeyTransform

from screening.models import AnswerSet, StaffDecision
from screening.selectors.answers import newest_answers
from studylab.audit.history import STANDS
from studylab.db import storable
from studylab.participants.contact import phone_key
from studylab.participants.kept_away import NumberReader
from studylab.participants.models import Participant
from studylab.participants.rules.details import ContactDetails
from studylab.participants.rules.identity import fold_email, fold_name
from studylab.participants.selectors import contact_details, contact_details_of
from studylab.people.models import User
from studylab.studies.models import Study

QUESTION = "T-01"  # "Do you work for, study with or depend on anyone in this lab, ...?"


@dataclass(frozen=True, slots=True)
class StaffTie:
    """A possible relation. `user` is None where only the volunteer's own words tell."""

    participant: Participant
    user: User | None
    why: str


def staff_of(study: Study) -> list[User]:
    """Return everybody who holds or held a role in the study, with the digests of their phone numbers."""
    found = User.objects.filter(memberships__study=study).distinct().order_by("name")
    return list(found.prefetch_related("staff_phones"))


def phones_on_file(study: Study) -> list[tuple[User, set[str]]]:
    """Return everybody of the staff with the kinds of numbers that can be compared."""
    return [(user, {one.kind for one in user.staff_phones.all()}) for user in staff_of(study)]


class _Staff:
    """The staff of a study by what volunteers' details are compared with, folded once for all of them."""

    def __init__(self, users: list[User]) -> None:
        self.users = users
        self.last = [fold_name(*user.name.split()[-1:]) for user in users]
        self.emails = _places((fold_email(user.email), place) for place, user in enumerate(users))
        self.names = _places((fold_name(user.name), place) for place, user in enumerate(users))
        self.phones: dict[
            str, list[tuple[int, str]]
        ] = {}  # digest -> whose it is, and which of theirs
        for place, user in enumerate(users):
            for one in user.staff_phones.all():
                self.phones.setdefault(one.digest, []).append((place, one.get_kind_display()))


def _places(found: Iterable[tuple[str, int]]) -> dict[str, list[int]]:
    places: dict[str, list[int]] = {}
    for text, place in found:
        places.setdefault(text, []).append(place)
    return places


def staff_ties(participant: Participant) -> list[StaffTie]:
    """Return possible relations of a volunteer to the study's staff."""
    answers = newest_answers(participant, AnswerSet.When.SCREENING)
    said = answers.answers.get(QUESTION) if answers else None
    details = contact_details(participant.person)
    return _ties(participant, _Staff(staff_of(participant.study)), said, details)


def _ties(
    participant: Participant,
    staff: _Staff,
    said: dict[str, Any] | None,
    details: ContactDetails | None,
) -> list[StaffTie]:
    return [*_by_words(participant, staff, said), *_by_details(participant, staff, details)]


def study_ties(study: Study) -> list[StaffTie]:
    """Return the possible relations of everybody on the path of a study, in a constant number of queries."""
    staff = _Staff(staff_of(study))
    found = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    active = list(found.select_related("person").order_by("id"))
    sets = AnswerSet.objects.filter(STANDS, participant__in=found, when=AnswerSet.When.SCREENING)
    answered = sets.order_by("id").values_list("participant_id", KeyTransform(QUESTION, "answers"))
    said = dict(answered)  # of somebody's, the newest
    details = contact_details_of([one.person for one in active])
    return [
        tie
        for one in active
        for tie in _ties(one, staff, said.get(one.pk), details.get(one.person_id))
    ]


def _by_words(
    participant: Participant, staff: _Staff, said: dict[str, Any] | None
) -> list[StaffTie]:
    item = said or {}
    if item.get("value") not in ("yes", "not_sure"):
        return []
    words = item.get("detail", "").strip()
    parts = fold_name(words).split()
    named: list[User | None] = [
        user for user, last in zip(staff.users, staff.last, strict=True) if last and last in parts
    ]
    word = {"yes": "yes", "not_sure": "not sure"}[item["value"]]
    why = f"asked about relations to staff, the volunteer said {word}" + (
        f": “{words}”" if words else ""
    )
    return [StaffTie(participant, user, why) for user in named or [None]]


def _by_details(
    participant: Participant, staff: _Staff, details: ContactDetails | None
) -> list[StaffTie]:
    if details is None:
        return []
    email = fold_email(details.email)
    emergency = fold_name(details.emergency_name)
    same = {
        "the same e-mail address": staff.emails.get(email, ()) if email else (),
        "the same name": staff.names.get(fold_name(details.given_names, details.family_name), ()),
        "named as the volunteer’s emergency contact": staff.names.get(emergency, ())
        if emergency
        else (),
    }
    reasons: dict[int, list[str]] = {}  # by the place of the staff
    for words, places in same.items():
        for place in places:
            reasons.setdefault(place, []).append(words)
    phones = {
        phone_key(details.phone): "the volunteer’s phone number",
        phone_key(details.emergency_phone): "the number of the volunteer’s emergency contact",
    }
    for digest, words in phones.items():
        for place, whose in staff.phones.get(digest, ()):
            reasons.setdefault(place, []).append(f"{words} is {whose}")
    return [
        StaffTie(participant, staff.users[place], "; ".join(reasons[place]))
        for place in sorted(reasons)
    ]


def decisions_of(participant: Participant) -> list[StaffDecision]:
    """Return every decision about a volunteer and staff, newest first."""
    return list(
        StaffDecision.objects.filter(participant=participant)
        .select_related("user", "decided_by")
        .order_by("-id")
    )


def kept_away(participant: Participant) -> set[int]:
    """Return the ids of users who are kept away from a volunteer's visits."""
    return kept_away_of_all([participant]).get(participant.pk, set())


def is_kept_away(study_id: int, code: str, user_id: int) -> bool:
    """Whether the newest decision about a volunteer of the study and this user keeps them apart."""
    return _newest_keeps_away(study_id, user_id, participant__code=storable(code))


def away_by(way: str) -> NumberReader:
    """Return the reader for pages that name a volunteer by the number of what their relation `way` leads to."""

    def is_away(study_id: int, uid: UUID, user_id: int) -> bool:
        return _newest_keeps_away(study_id, user_id, **{f"participant__{way}__uid": uid})

    return is_away


def _newest_keeps_away(study_id: int, user_id: int, **about: object) -> bool:
    decisions = StaffDecision.objects.filter(
        participant__study_id=study_id, user_id=user_id, **about
    )
    return bool(decisions.order_by("-id").values_list("kept_away", flat=True).first())


def kept_away_of_all(people: Collection[Participant]) -> dict[int, set[int]]:
    """Return what `kept_away` says of each of several people, in one query; who has nobody is left out."""
    newest = (
        StaffDecision.objects.filter(participant__in=people, user__isnull=False)
        .order_by("participant_id", "user_id", "-id")
        .distinct("participant_id", "user_id")
    )
    found: dict[int, set[int]] = {}
    for one in newest:
        if one.kept_away and one.user_id is not None:
            found.setdefault(one.participant_id, set()).add(one.user_id)
    return found


def undecided_ties(study: Study) -> list[StaffTie]:
    """Return possible relations about which the lead has not decided yet."""
    decided = set(
        StaffDecision.objects.filter(participant__study=study).values_list(
            "participant_id", "user_id"
        )
    )
    return [
        tie
        for tie in study_ties(study)
        if (tie.participant.pk, tie.user.pk if tie.user else None) not in decided
    ]
