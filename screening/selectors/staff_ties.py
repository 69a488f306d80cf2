"""Volunteers who may be related to staff: by what they said, or by contact details that are the same.

Only that there is a match and with whom is returned; no contact detail leaves this place.
"""

from collections.abc import Collection
from dataclasses import dataclass
from uuid import UUID

from screening.models import AnswerSet, StaffDecision
from screening.selectors.answers import newest_answers
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


@dataclass(frozen=True, slots=True)
class _Staff:
    """One of the staff with what volunteers' details are compared with, folded once for all of them."""

    user: User
    name: str
    last: str
    email: str


def _folded(staff: list[User]) -> list[_Staff]:
    return [
        _Staff(
            user, fold_name(user.name), fold_name(*user.name.split()[-1:]), fold_email(user.email)
        )
        for user in staff
    ]


def staff_ties(participant: Participant) -> list[StaffTie]:
    """Return possible relations of a volunteer to the study's staff."""
    people = _folded(staff_of(participant.study))
    answers = newest_answers(participant, AnswerSet.When.SCREENING)
    details = contact_details(participant.person)
    return _ties(participant, people, answers, details)


def _ties(
    participant: Participant,
    staff: list[_Staff],
    answers: AnswerSet | None,
    details: ContactDetails | None,
) -> list[StaffTie]:
    return [*_by_words(participant, staff, answers), *_by_details(participant, staff, details)]


def study_ties(study: Study) -> list[StaffTie]:
    """Return the possible relations of everybody on the path of a study, in a constant number of queries."""
    staff = _folded(staff_of(study))
    found = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    active = list(found.select_related("study", "person").order_by("id"))
    sets = AnswerSet.objects.filter(
        participant__in=active, when=AnswerSet.When.SCREENING, superseded_by=None
    )
    answers = {one.participant_id: one for one in sets.order_by("id")}
    details = contact_details_of([one.person for one in active])
    return [
        tie
        for one in active
        for tie in _ties(one, staff, answers.get(one.pk), details.get(one.person_id))
    ]


def _by_words(
    participant: Participant, staff: list[_Staff], answers: AnswerSet | None
) -> list[StaffTie]:
    item = (answers.answers.get(QUESTION) if answers else None) or {}
    if item.get("value") not in ("yes", "not_sure"):
        return []
    words = item.get("detail", "").strip()
    parts = fold_name(words).split()
    named: list[User | None] = [one.user for one in staff if one.last and one.last in parts]
    said = {"yes": "yes", "not_sure": "not sure"}[item["value"]]
    why = f"asked about relations to staff, the volunteer said {said}" + (
        f": “{words}”" if words else ""
    )
    return [StaffTie(participant, user, why) for user in named or [None]]


def _by_details(
    participant: Participant, staff: list[_Staff], details: ContactDetails | None
) -> list[StaffTie]:
    if details is None:
        return []
    email = fold_email(details.email)
    own = fold_name(details.given_names, details.family_name)
    emergency = fold_name(details.emergency_name)
    phones = {
        phone_key(details.phone): "the volunteer’s phone number",
        phone_key(details.emergency_phone): "the number of the volunteer’s emergency contact",
    }
    ties = []
    for member in staff:
        user, name = member.user, member.name
        reasons = [
            words
            for words, same in (
                ("the same e-mail address", bool(email) and email == member.email),
                ("the same name", own == name),
                (
                    "named as the volunteer’s emergency contact",
                    bool(emergency) and emergency == name,
                ),
            )
            if same
        ]
        reasons += [
            f"{phones[one.digest]} is {one.get_kind_display()}"
            for one in user.staff_phones.all()
            if one.digest in phones
        ]
        if reasons:
            ties.append(StaffTie(participant, user, "; ".join(reasons)))
    return ties


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
