"""The contraindications of the two labels against an oracle that knows nothing of the program's table.

The list below is the union of both columns: US propranolol tablets (heading CONTRAINDICATIONS) and UK SmPC 4.3, as
read. Neither label gives a number for bradycardia or hypotension; the numbers are the proposed limits.

50,000 random people in every run; STUDYLAB_ORACLE_PEOPLE=1000000 looks at a million (under a minute).
"""

import itertools
import os
from collections.abc import Callable
from functools import partial

import numpy as np

from screening.rules.assessment import Answer, Assessment, Medicine, Person, assess
from screening.rules.table import RuleTable
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import Limits
from tests.screening.conftest import AT
from tests.screening.test_assessment_oracle import EXCLUDE, FOLLOW_UP, NO_IS_FLAGGED, NOTE, YES_NO

PEOPLE = int(os.environ.get("STUDYLAB_ORACLE_PEOPLE", "50000"))
US, UK = "US tablets", "UK SmPC 4.3"
Run = Callable[..., Assessment]
Healthy = Callable[..., dict[str, Answer]]

# Condition on the labels -> the labels that name it, and each way in which it can be known here.
LABELS: dict[str, tuple[set[str], tuple[str, ...]]] = {
    "cardiogenic shock, uncontrolled heart failure": ({US, UK}, ("C-09",)),
    "sinus bradycardia": ({US, UK}, ("C-03", "pulse")),
    "AV block above first degree": ({US, UK}, ("C-04",)),
    "bronchial asthma": ({US, UK}, ("C-01",)),
    "bronchospasm, history of": ({UK}, ("C-01b",)),
    "hypersensitivity to propranolol": ({US, UK}, ("C-23a",)),
    "hypersensitivity to any excipient": ({UK}, ("C-23b",)),
    "hypotension": ({UK}, ("C-12", "systolic", "diastolic")),
    "sick sinus syndrome": ({UK}, ("C-06",)),
    "severe peripheral arterial disease": ({UK}, ("C-16",)),
    "Prinzmetal angina": ({UK}, ("C-11",)),
    "untreated phaeochromocytoma": ({UK}, ("C-18a",)),
    "metabolic acidosis": ({UK}, ("C-19a",)),
    "prone to hypoglycaemia": ({UK}, ("C-21a",)),
}
WAYS = [(name, way) for name, (_, ways) in LABELS.items() for way in ways]
LOW = {"systolic": 89.5, "diastolic": 54.5, "pulse": 49.5}  # just outside the proposed limits


def person_with(run: Run, healthy: Healthy, *ways: str) -> Assessment:
    """Assess somebody healthy apart from these conditions, measured ones on a repeat."""
    values = {"systolic": 111, "diastolic": 71, "pulse": 65}
    values |= {way: LOW[way] for way in ways if way in LOW}
    said = {way: Answer("yes") for way in ways if way not in LOW}
    return run(answers=healthy() | said, vitals=VitalDecision(**values, used=(2, 3)))


def test_each_condition_and_each_pair_excludes_and_names_its_labels(
    run: Run, healthy: Healthy
) -> None:
    for found in itertools.chain(itertools.combinations(WAYS, 1), itertools.combinations(WAYS, 2)):
        assessment = person_with(run, healthy, *(way for _, way in found))
        assert assessment.outcome == "exclude", found
        assert len(assessment.findings) == len(found)
        for condition, way in found:
            rule = f"V-{way}-outside" if way in LOW else way
            (finding,) = (f for f in assessment.findings if f.rule_id == rule)
            assert set(finding.label) == LABELS[condition][0], condition


def test_prolonged_fasting_the_condition_of_the_day_never_lets_a_dose_through(
    run: Run, healthy: Healthy
) -> None:
    for way in ({"C-22a": Answer(12.1)}, {"C-22b": Answer("yes")}):
        for condition, other in [("none", "C-48"), *WAYS]:
            said = healthy("dosing_day") | way | {other: Answer("yes")}
            assessment = run(gate="dosing_day", answers=said)
            assert assessment.outcome in ("hold", "exclude"), condition


HEALTHY_STATE, FLAGGED, UNSURE, OPEN = range(4)
MEDICINES = [
    (None, "clear"), ("paracetamol", "clear"), ("xyz", "physician"), ("sertraline", "physician"),
    ("atenolol", "exclude"),
]  # fmt: skip
VITALS = [
    ((111, 71, 65), "clear"), ((100, 60, 60), "clear"), ((139.5, 89.5, 100), "clear"),
    ((99.5, 71, 65), "physician"), ((111, 59.5, 65), "physician"), ((111, 71, 59.5), "physician"),
    ((140, 71, 65), "physician"), ((111, 90, 65), "physician"), ((90, 55, 50), "physician"),
    ((89.5, 71, 65), "exclude"), ((111, 54.5, 65), "exclude"), ((111, 71, 49.5), "exclude"),
    ((160, 71, 65), "exclude"), ((111, 100, 65), "exclude"), ((111, 71, 100.5), "exclude"),
    (None, "gap"),
]  # fmt: skip


def draw(rng: np.random.Generator, people: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Draw states of every question, medicines and vitals; most of everything is healthy."""
    states = rng.choice(4, size=(people, len(YES_NO)), p=[0.985, 0.006, 0.004, 0.005])
    medicines = rng.choice(len(MEDICINES), size=people, p=[0.5, 0.3, 0.07, 0.07, 0.06])
    odds = [0.3, 0.2, 0.2, *[0.3 / 13] * 13]
    return states.astype(np.int8), medicines, rng.choice(len(VITALS), size=people, p=odds)


def oracle(states: np.ndarray, medicines: np.ndarray, vitals: np.ndarray) -> np.ndarray:
    """The outcome of each person by whole columns: worst word first, then gaps, then what is left."""
    column = {name: states[:, index] for index, name in enumerate(YES_NO)}
    drug = np.array([word for _, word in MEDICINES])[medicines]
    measured = np.array([word for _, word in VITALS])[vitals]
    exclude = (drug == "exclude") | (measured == "exclude")
    physician = (drug == "physician") | (measured == "physician")
    gap = (states == OPEN).any(axis=1) | (measured == "gap")
    unsure_is_noted = NOTE - {"C-46a", "C-46c"}
    for name, state in column.items():
        if name in EXCLUDE or NO_IS_FLAGGED.get(name) == "exclude":
            exclude |= state == FLAGGED
        elif name not in NOTE:
            physician |= state == FLAGGED
        if name not in unsure_is_noted:
            physician |= state == UNSURE
        if name in FOLLOW_UP:  # what follows is never answered here
            gap |= (state == FLAGGED) | (state == UNSURE)
    return np.select([exclude, gap, physician], ["exclude", "cannot_decide", "physician"], "clear")


def test_random_people_agree_with_the_oracle_one_by_one(
    table: RuleTable, limits: Limits, healthy: Healthy
) -> None:
    usual = healthy()
    ways = [
        ("yes", "no") if name in NO_IS_FLAGGED else ("no", "yes") for name in YES_NO
    ]  # healthy, flagged
    said = [(Answer(good), Answer(bad), Answer("not_sure"), Answer(None)) for good, bad in ways]
    sets = [None if v is None else VitalDecision(*v, used=(2, 3)) for v, _ in VITALS]
    lists = [() if name is None else (Medicine(name),) for name, _ in MEDICINES]
    outcome_of = partial(
        assess, table=table, limits=limits, person=Person(26, 172, 68), at=AT, gate="screening"
    )
    rng = np.random.default_rng(20260304)
    seen: set[str] = set()
    for start in range(0, PEOPLE, 50_000):
        states, medicines, vitals = draw(rng, min(50_000, PEOPLE - start))
        expected = oracle(states, medicines, vitals).tolist()
        outcomes = []
        for row, drug, measured in zip(states, medicines.tolist(), vitals.tolist(), strict=True):
            answers = dict(usual)
            for index in np.flatnonzero(row).tolist():
                answers[YES_NO[index]] = said[index][row[index]]
            found = outcome_of(
                answers=answers,
                medicines=lists[drug],
                no_medicines=not lists[drug],
                vitals=sets[measured],
            )
            outcomes.append(found.outcome)
        assert outcomes == expected
        labelled = [YES_NO.index(way) for _, way in WAYS if way not in LOW]
        by_label = (states[:, labelled] == FLAGGED).any(axis=1)
        assert {outcomes[index] for index in np.flatnonzero(by_label)} == {"exclude"}
        seen |= set(outcomes)
    assert seen == {"exclude", "cannot_decide", "physician", "clear"}
