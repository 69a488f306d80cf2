"""Where volunteers are on the path: the facts of many people in a constant number of queries."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Q

from scheduling.models import AfterContact, Dose, Series
from scheduling.rules import path
from scheduling.rules.path import PathFacts, PathStep, next_step
from scheduling.selectors.today import contact_window
from screening.models import AnswerSet, Assessment, SignOff, VitalSet
from screening.rules.outcome import MEASURER
from screening.selectors.inputs import table_of
from screening.selectors.requests import all_brought, asked_for
from studylab.allocation.models import ListEntry
from studylab.audit.history import STANDS, stands
from studylab.participants.models import Consent, Hold, Participant
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

MOST = 2000  # people looked at for one page: far more than any lab has on the path at once
STAGE_NAMES = {
    path.ENQUIRY: "Agreement to questions", path.QUESTIONS: "Questionnaire",
    path.ASSESSMENT: "Assessment", path.CONSENT: "Consent", path.VITALS: "Screening vitals",
    path.SIGN_OFF: "Sign-off", path.BOOKING: "Booking", path.NUMBER: "Number",
    path.VISIT_1: "Visit 1", path.VISIT_2: "Visit 2", path.CONTACT: "Contact after the dose",
    path.VISIT_3: "Visit 3", path.COMPLETED: "Completion", path.ON_HOLD: "On hold",
    path.SCREENED_OUT: "Screened out", path.WITHDRAWN: "Withdrawn", path.LOST: "Lost",
}  # fmt: skip
# Read of hundreds of people: no findings, which are kilobytes of JSON each.
_ASSESSED = ("participant_id", "pk", "outcome", "missing", "protocol_version_id", "table_hash")
_SIGNED = ("participant_id", "assessment_id", "decision", "valid_until")
SERIES = {Series.State.OPEN: "booked", Series.State.DONE: "done"}


@dataclass(frozen=True, slots=True)
class OnPath:
    """One volunteer, what comes next and the facts it follows from, and their series when there is one."""

    participant: Participant
    step: PathStep
    facts: PathFacts
    series: Series | None

    @property
    def dosing_visit(self) -> int:
        """The number of the visit with the dose."""
        return self.facts.dosing_visit


def paths_of(study: Study, people: Sequence[Participant], at: datetime) -> list[OnPath]:
    """Return where each of `people`, all of one study, is at an instant."""
    protocol = current_protocol(study)
    dosing_number = protocol.plan.dosing_visit.number
    known = _Known(people, at, (protocol.version.pk, table_of(protocol).hash))
    found = []
    for person in people:
        series = known.series.get(person.pk)
        visits = [(v.number, v.state) for v in series.visits.all()] if series else []
        dose = known.doses.get(person.pk)
        opens = contact_window(dose, protocol.plan.follow_up)[0] if dose else None
        facts = PathFacts(
            agreed_to_questions=bool(known.consents[person.pk]),
            questionnaire_done=person.pk in known.answered,
            assessment_outcome=known.outcome(person),  # type: ignore[arg-type]
            study_consent=Consent.Kind.STUDY in known.consents[person.pk],
            screening_vitals_done=person.pk in known.measured,
            sign_off=known.sign_off(person, at),  # type: ignore[arg-type]
            series=known.closed(person) or _series_word(series, visits),  # type: ignore[arg-type]
            number_issued=person.pk in known.numbered,
            visits=tuple(visits),  # type: ignore[arg-type]
            dosed=dose is not None,
            follow_up_due=opens is not None and at >= opens,
            follow_up_done=opens is not None
            and any(reached >= opens for reached in known.reached[person.pk]),
            status=person.status,  # type: ignore[arg-type]
            open_holds=known.holds[person.pk],
            dosing_visit=dosing_number,
        )
        found.append(OnPath(person, next_step(facts), facts, series))
    return found


def people_on_path(study: Study, at: datetime) -> list[OnPath]:
    """Return everybody with whom somebody still has something to do, the oldest first.

    That is who is active, and who has left after a dose and was not reached since.
    """
    people = Participant.objects.filter(
        Q(status=Participant.Status.ACTIVE) | (stands("doses__") & Q(doses__isnull=False)),
        study=study,
    ).exclude(status=Participant.Status.COMPLETED)
    rows = paths_of(study, list(people.order_by("added_at", "pk").distinct()[:MOST]), at)
    return [row for row in rows if row.step.who]


def counts_by_stage(rows: Iterable[OnPath]) -> list[tuple[str, str, int]]:
    """Return (stage, its name, how many people are there) in the order of the path, without empty ones."""
    found = Counter(row.step.stage for row in rows)
    return [(stage, STAGE_NAMES[stage], found[stage]) for stage in path.STAGES if found[stage]]


def _series_word(series: Series | None, visits: Iterable[tuple[int, str]]) -> str:
    if series is None:
        return "none"
    if series.state == Series.State.OPEN and any(s != "booked" for _number, s in visits):
        return "running"
    return SERIES[Series.State(series.state)]


class _Known:
    """What the record says of some people, by participant id."""

    def __init__(self, people: Sequence[Participant], at: datetime, rules: tuple[int, str]) -> None:
        ids = {person.pk for person in people}
        self.rules = rules  # the protocol version and the hash of the rule table in force
        these: dict[str, Any] = {"participant__among": ids}
        self.consents: dict[int, set[str]] = defaultdict(set)
        for pk, kind in Consent.objects.filter(STANDS, **these, signed_at__lte=at).values_list(
            "participant_id", "kind"
        ):
            self.consents[pk].add(kind)
        self.answered = set(
            AnswerSet.objects.filter(STANDS, **these, when=AnswerSet.When.SCREENING).values_list(
                "participant_id", flat=True
            )
        )
        self.measured = set(
            VitalSet.objects.filter(
                STANDS, **these, gate=VitalSet.Gate.SCREENING, systolic__isnull=False
            ).values_list("participant_id", flat=True)
        )
        self.assessments = {
            row.participant_id: row
            for row in Assessment.objects.filter(**these, gate=Assessment.Gate.SCREENING)
            .order_by("participant_id", "-id")
            .distinct("participant_id")
            .values_list(*_ASSESSED, named=True)
        }
        self.measured -= {
            pk
            for pk, row in self.assessments.items()
            if any(gap["who"] == MEASURER for gap in row.missing)
        }
        self.signed = {
            row.participant_id: row
            for row in SignOff.objects.filter(**these)
            .order_by("participant_id", "-id")
            .distinct("participant_id")
            .values_list(*_SIGNED, named=True)
        }
        self.brought = (
            {pk for pk, several in asked_for(people[0].study).items() if all_brought(several)}
            if people
            else set()
        )
        self.series = {
            row.participant_id: row
            for row in Series.objects.filter(**these)
            .exclude(state=Series.State.CANCELLED)
            .prefetch_related("visits")
        }
        self.ended = set(
            Series.objects.filter(**these, ends_path=True).values_list("participant_id", flat=True)
        )
        self.numbered = set(
            ListEntry.objects.filter(**these).values_list("participant_id", flat=True)
        )
        self.doses = {
            row.participant_id: row for row in Dose.objects.filter(STANDS, **these).defer("gate")
        }
        self.reached: dict[int, list[datetime]] = defaultdict(list)
        for pk, when in AfterContact.objects.filter(**these, reached=True).values_list(
            "participant_id", "at"
        ):
            self.reached[pk].append(when)
        self.holds: dict[int, int] = defaultdict(int)
        for pk in Hold.objects.filter(**these, released_at=None).values_list(
            "participant_id", flat=True
        ):
            self.holds[pk] += 1

    def outcome(self, person: Participant) -> str:
        """The newest assessment's outcome, or "none"."""
        row = self.assessments.get(person.pk)
        return row.outcome if row else "none"

    def closed(self, person: Participant) -> str:
        """Say "closed" when the study's rule ended the path with an earlier series."""
        return "closed" if person.pk in self.ended and person.pk not in self.series else ""

    def sign_off(self, person: Participant, at: datetime) -> str:
        """What the newest sign-off is worth now."""
        signed = self.signed.get(person.pk)
        if signed is None:
            return "none"
        newest = self.assessments.get(person.pk)
        if newest is None or newest.pk != signed.assessment_id:
            return "void"
        if not person.is_active:
            return signed.decision  # what was decided then; later rules are not for who has left
        if (newest.protocol_version_id, newest.table_hash) != self.rules:
            return "void"
        if signed.decision == SignOff.Decision.ELIGIBLE and at >= signed.valid_until:
            return "lapsed"
        if signed.decision == SignOff.Decision.NEEDS_MORE and person.pk in self.brought:
            return "none"  # what was asked for is there: the physician decides next
        return signed.decision
