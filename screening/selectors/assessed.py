"""What the rules say about gathered inputs. Nothing is written."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from screening.models import AnswerSet, Assessment, Check, VitalSet
from screening.rules.after_the_fact import after_the_fact
from screening.rules.assessment import Assessment as Result
from screening.rules.assessment import assess
from screening.rules.outcome import ordered, outcome_of
from screening.rules.rows import Gate
from screening.selectors.inputs import Inputs, screening_inputs, table_of
from screening.selectors.told import told_by
from studylab.audit.history import STANDS
from studylab.participants.models import Participant
from studylab.studies.rules.limits import Limits
from studylab.studies.selectors import CurrentProtocol, confirmed_versions

GATES: dict[Assessment.Gate, Gate] = {
    Assessment.Gate.SCREENING: "screening",
    Assessment.Gate.AHEAD: "ahead",
    Assessment.Gate.DOSING_DAY: "dosing_day",
}


def assessed(inputs: Inputs, *, zone: ZoneInfo, gate: str, at: datetime) -> Result:
    """Return what the rules say at the instant `at`.

    Answers taken back, and limits that were changed after the person's own measurement, are findings among
    the others.
    """
    local = at.astimezone(zone)
    result = _assess(inputs, inputs.protocol.plan.limits, gate, local)
    more = list(inputs.taken_back)
    if inputs.limits_then is not None:
        then = _assess(inputs, inputs.limits_then, gate, local)
        more += after_the_fact(then, result)
    gaps = result.missing
    if inputs.measured is not None:
        found, missing = inputs.measured.judged()
        more += found
        gaps = (*gaps, *missing)
    # Two unknown parts of one name ("this/that") say the same thing twice; once is enough.
    findings = ordered(dict.fromkeys((*result.findings, *more)))
    return replace(result, findings=findings, missing=gaps, outcome=outcome_of(findings, gaps))


def _assess(inputs: Inputs, limits: Limits, gate: str, local: datetime) -> Result:
    return assess(
        table=inputs.table,
        limits=limits,
        answers=inputs.answers,
        medicines=inputs.medicines,
        no_medicines=inputs.no_medicines,
        vitals=inputs.vitals,
        person=inputs.person,
        at=local,
        gate=GATES[Assessment.Gate(gate)],
        vitals_repeat=inputs.repeated,
        with_vitals=gate == Assessment.Gate.SCREENING,
    )


class Records:
    """What is on record at screening about some people, read in a few queries however many they are."""

    def __init__(self, people: Sequence[Participant]) -> None:
        ids = [person.pk for person in people]
        self._versions = confirmed_versions(people[0].study) if people else []
        self._told = told_by(people)
        self._answers: dict[int, list[AnswerSet]] = defaultdict(list)
        self._vitals: dict[int, list[VitalSet]] = defaultdict(list)
        for answer_set in AnswerSet.objects.filter(
            participant_id__in=ids, when=AnswerSet.When.SCREENING
        ).order_by("id"):
            self._answers[answer_set.participant_id].append(answer_set)
        for vital_set in (
            VitalSet.objects.filter(STANDS, participant_id__in=ids, gate=VitalSet.Gate.SCREENING)
            .order_by("id")
            .prefetch_related("readings")
        ):
            self._vitals[vital_set.participant_id].append(vital_set)
        self._checks: dict[int, list[Check]] = defaultdict(list)
        checks = Check.objects.filter(STANDS, participant_id__in=ids, gate=VitalSet.Gate.SCREENING)
        for check in checks.select_related("reading").order_by("id"):
            self._checks[check.participant_id].append(check)
        self.newest = {
            row.participant_id: row
            for row in Assessment.objects.filter(
                participant_id__in=ids, gate=Assessment.Gate.SCREENING
            )
            .order_by("participant_id", "-id")
            .distinct("participant_id")
        }

    def any_of(self, person: Participant) -> bool:
        """Whether anything about the person can be assessed."""
        return person.pk in self._answers or person.pk in self._vitals or person.pk in self.newest

    def inputs(self, person: Participant, protocol: CurrentProtocol) -> Inputs:
        """Return what an assessment of the person by a protocol looks at."""
        return screening_inputs(
            protocol, table_of(protocol), self._answers[person.pk], self._vitals[person.pk],
            self._versions, self._checks[person.pk], person.study.zone, self._told.get(person.pk),
        )  # fmt: skip
