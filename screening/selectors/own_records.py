"""What the site itself knows of the same person from elsewhere: other studies, and people who may be the same.

Somebody who was declined for safety before is recognised without anyone searching, also after their contact
details were erased: the keyed hashes stay. Clinicians read this at the sign-off; others learn only that there
is something.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q

from screening.models import Assessment, SignOff
from studylab.participants.contact import lookup_keys
from studylab.participants.models import IdentityKey, Participant
from studylab.participants.rules.identity import DUPLICATE_KINDS, KIND_WORDS
from studylab.participants.selectors import contact_details

SAME = "the same person"
_TELLING = ("name_birth", "family_birth", "given_birth", "email", "phone")


@dataclass(frozen=True, slots=True)
class OwnRecord:
    """One earlier participation. `why` says how it is known to be the same person, or likely so."""

    participant: Participant
    why: str
    certain: bool
    decision: SignOff | None
    assessment: Assessment | None

    @property
    def key(self) -> str:
        """What names this record in a signed decision: the person's code and where their record stood."""
        signed = self.decision.pk if self.decision else 0
        made = self.assessment.pk if self.assessment else 0
        return f"{self.participant.study.slug}/{self.participant.code}/{self.participant.status}/{made}/{signed}"

    @property
    def findings(self) -> list[dict[str, Any]]:
        """What excluded the person then, or was put before a physician."""
        found = self.assessment.findings if self.assessment else []
        return [f for f in found if f["disposition"] in ("exclude", "physician", "hold")]

    @property
    def ended_for_a_reason(self) -> bool:
        """Whether the person was declined, withdrawn or excluded there."""
        refused = (
            self.decision is not None and self.decision.decision == SignOff.Decision.NOT_ELIGIBLE
        )
        excluded = (
            self.assessment is not None and self.assessment.outcome == Assessment.Outcome.EXCLUDE
        )
        return refused or excluded or self.participant.status in ("screened_out", "withdrawn")

    @property
    def at(self) -> datetime:
        """When the record last changed."""
        return self.participant.status_at


def own_records(participant: Participant) -> list[OwnRecord]:
    """Return the person's other participations, and those of people who may be the same; telling ones first."""
    why = _others(participant)
    people = list(
        Participant.objects.filter(Q(person__in=why) | Q(person=participant.person_id))
        .exclude(pk=participant.pk)
        .select_related("study")
    )
    decisions, assessments = _newest(people)
    found = [
        OwnRecord(
            one,
            SAME if one.person_id == participant.person_id else why[one.person_id],
            one.person_id == participant.person_id,
            decisions.get(one.pk),
            assessments.get(one.pk),
        )
        for one in people
    ]
    return sorted(found, key=lambda r: (not r.ended_for_a_reason, not r.certain, -r.at.timestamp()))


def known_to_site(participant: Participant) -> bool:
    """Whether the site knows this person, or somebody who may be the same, from elsewhere."""
    return bool(own_records(participant))


def _others(participant: Participant) -> dict[int, str]:
    """Return, by person, in words what is the same about other people of the site."""
    wanted: dict[tuple[str, str], set[str]] = defaultdict(set)
    for kind, digest in IdentityKey.objects.filter(
        person=participant.person_id, kind__in=_TELLING
    ).values_list("kind", "digest"):
        wanted[kind, digest].add(kind)
    details = contact_details(participant.person)
    for match_kind, stored, digest in lookup_keys(details) if details else ():
        wanted[stored, digest].add(match_kind)
    condition = Q(pk__in=[])
    for kind, digest in wanted:
        condition |= Q(kind=kind, digest=digest)
    kinds: dict[int, set[str]] = defaultdict(set)
    for person, kind, digest in (
        IdentityKey.objects.filter(condition)
        .exclude(person=participant.person_id)
        .values_list("person_id", "kind", "digest")
    ):
        kinds[person] |= wanted[kind, digest]
    return {person: _words(found) for person, found in kinds.items()}


def _words(kinds: set[str]) -> str:
    if "name_birth" in kinds:
        kinds = kinds - {"family_birth", "given_birth"}
    return "; ".join(KIND_WORDS[kind] for kind in DUPLICATE_KINDS if kind in kinds)


def _newest(
    people: Sequence[Participant],
) -> tuple[dict[int, SignOff], dict[int, Assessment]]:
    signed = (
        SignOff.objects.filter(participant__in=people)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
        .select_related("signature")
    )
    made = (
        Assessment.objects.filter(participant__in=people, gate=Assessment.Gate.SCREENING)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
    )
    return {s.participant_id: s for s in signed}, {a.participant_id: a for a in made}
