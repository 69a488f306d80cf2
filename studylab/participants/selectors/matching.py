"""Who of the whole site may be the same person."""

from collections import defaultdict
from dataclasses import dataclass
from uuid import UUID

from django.db.models import Q

from studylab.participants.contact import lookup_keys
from studylab.participants.models import IdentityKey, Participant, Person
from studylab.participants.rules.details import ContactDetails
from studylab.participants.rules.identity import DUPLICATE_KINDS, KIND_WORDS
from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Match:
    """Somebody who may be the same person: the code when in this study, else only "known to the site"."""

    person_uid: UUID
    code: str
    kinds: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """Who matches by what, without anything else about them."""
        who = f"{self.code} in this study" if self.code else "A person known to the site"
        return f"{who}: {'; '.join(KIND_WORDS[kind] for kind in self.kinds)}."


def likely_matches(
    study: Study, details: ContactDetails, *, leave_out: Person | None = None
) -> list[Match]:
    """Return people of the whole site who may be the one described, those of this study first."""
    wanted = defaultdict(set)
    for match_kind, stored_kind, digest in lookup_keys(details):
        wanted[stored_kind, digest].add(match_kind)
    condition = Q(pk__in=[])
    for kind, digest in wanted:
        condition |= Q(kind=kind, digest=digest)
    keys = IdentityKey.objects.filter(condition).select_related("person")
    if leave_out is not None:
        keys = keys.exclude(person=leave_out)
    kinds: dict[Person, set[str]] = defaultdict(set)
    for key in keys:
        kinds[key.person] |= wanted[key.kind, key.digest]
    in_study = dict(
        Participant.objects.filter(study=study, person__in=kinds).values_list("person_id", "code")
    )
    matches = [
        Match(person.uid, in_study.get(person.pk, ""), _in_order(found))
        for person, found in kinds.items()
    ]
    return sorted(matches, key=lambda m: (not m.code, DUPLICATE_KINDS.index(m.kinds[0]), m.code))


def fresh_matches(
    study: Study, person: Person, before: ContactDetails, after: ContactDetails
) -> list[Match]:
    """Return likely matches that changing a person's details would bring, not those known before."""
    known = {
        (match.person_uid, kind)
        for match in likely_matches(study, before, leave_out=person)
        for kind in match.kinds
    }
    return [
        match
        for match in likely_matches(study, after, leave_out=person)
        if any((match.person_uid, kind) not in known for kind in match.kinds)
    ]


def _in_order(kinds: set[str]) -> tuple[str, ...]:
    """Return kinds of match, strongest first; the same whole name says all that its parts would."""
    if "name_birth" in kinds:
        kinds = kinds - {"family_birth", "given_birth"}
    return tuple(kind for kind in DUPLICATE_KINDS if kind in kinds)
