"""What the screening tests share: limits as proposed, a fully healthy set of answers, one call to assess."""

from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from screening.rules.assessment import Answer, Assessment, Person, assess
from screening.rules.rows import Gate
from screening.rules.table import RuleTable, load_table
from screening.rules.vitals import VitalDecision
from studylab.studies.rules.protocol import (
    Band,
    LeaveLimits,
    Limits,
    Measuring,
    PostDoseLimits,
    VitalBands,
)

AT = datetime(2026, 3, 4, 9, 30, tzinfo=ZoneInfo("America/Halifax"))
# Healthy values where "no" is not the healthy answer.
HEALTHY = {
    "C-38a": 3.0,
    "C-49a": "yes",
    "C-49b": "yes",
    "C-50": "yes",
    "C-22a": 2.0,
    "D-10": "yes",
    "D-11": "yes",
    "D-12": "yes",
}


@pytest.fixture(scope="session")
def limits() -> Limits:
    """The proposed defaults, written out here and not read from a document of the program."""
    bands = VitalBands(
        systolic=Band(100, 140, 90, 160),
        diastolic=Band(60, 90, 55, 100),
        pulse=Band(60, 100, 50, 100, upper_included=True),
    )
    return Limits(
        screening=bands,
        pre_dose=bands,
        post_dose=PostDoseLimits(50, 45, 90, 85, 50, 25, 20),
        leave=LeaveLimits(50, 95, 15, 240, 480),
        measuring=Measuring(),
        floor_pulse=50,
        floor_systolic=90,
        floor_diastolic=55,
        pre_dose_valid_minutes=30,
        sign_off_valid_days=28,
        numbers={
            "age_min": 18,
            "age_max": 45,
            "bmi_min": 18.5,
            "bmi_max": 30,
            "weight_min": 50,
            "fasting_hours": 12,
            "alcohol_hours": 24,
            "caffeine_hours": 12,
            "cigarettes_per_day": 10,
            "study_drug_days": 30,
            "blood_donation_days": 56,
            "drinks_per_week": 14,
            "stimulant_days": 7,
            "faints": 2,
        },
    )


@pytest.fixture(scope="session")
def table() -> RuleTable:
    return load_table()


@pytest.fixture(scope="session")
def healthy(table: RuleTable) -> Callable[..., dict[str, Answer]]:
    """Return the answers of somebody with nothing to report, with the given ones instead."""

    def make(gate: Gate = "screening", **changed: Any) -> dict[str, Answer]:
        answers = {
            row.id: Answer(HEALTHY.get(row.id, "no"))
            for row in table.asked(gate)
            if not row.asked_if
        }
        for key, value in changed.items():
            answers[key.replace("_", "-")] = Answer(value)
        return answers

    return make


@pytest.fixture(scope="session")
def run(
    table: RuleTable, limits: Limits, healthy: Callable[..., dict[str, Answer]]
) -> Callable[..., Assessment]:
    """Assess a healthy person, with whatever the test changes."""

    def call(**changed: Any) -> Assessment:
        arguments: dict[str, Any] = {
            "table": table,
            "limits": limits,
            "answers": healthy(changed.get("gate", "screening")),
            "medicines": (),
            "no_medicines": not changed.get("medicines"),
            "vitals": VitalDecision(111, 71, 65, (2, 3)),
            "person": Person(26, 172, 68),
            "at": AT,
            "gate": "screening",
        }
        return assess(**(arguments | changed))

    return call
