"""What an export holds: codes, never names; every value with its consent; files that say what a row is; no arm."""

import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from screening.models import AnswerSet
from studylab import clock
from studylab.allocation.models import Kit
from studylab.management.demo.cast import volunteer_name
from studylab.people.models import User
from studylab.studies.selectors import current_protocol
from tests.access.world import World
from tests.reports.export import Unpacked, exported
from tests.worlds import world as kept_between_tests

pytestmark = [pytest.mark.django_db, pytest.mark.database]
VALUES = (
    "answer_sets",
    "vital_sets",
    "checks",
    "sign_offs",
    "series",
    "steps",
    "doses",
    "contacts",
    "adverse_events",
)
MOMENTS = {
    "answer_sets": "given_at", "sign_offs": "signed_at", "series": "booked_at", "steps": "occurred_at",
    "doses": "given_at", "contacts": "at", "adverse_events": "aware_at",
}  # fmt: skip


@kept_between_tests
def made(middle: World) -> Unpacked:
    """One export of the study in the middle of its life."""
    with clock.travel(middle.now):
        return exported(middle.study)


def run_check(folder: Path, *arguments: str) -> tuple[int, str]:
    """Run the self-check as an analyst would: plain Python, nothing of ours to import."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", str(folder / "check.py"), *arguments],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    return done.returncode, done.stdout


@pytest.mark.shows("A-22", "B-01")
def test_codes_never_names_and_no_arm_in_any_file(world: World, made: Unpacked) -> None:
    """Field case F-58: what was released in good faith carried more than the eye saw."""
    arms = [arm.name for arm in current_protocol(world.study).plan.allocation.arms]
    names = [part for index in range(16) for part in volunteer_name(index)]
    mails = list(User.objects.values_list("email", flat=True))
    kits = list(Kit.objects.values_list("number", flat=True))
    assert kits
    for name in made.names():
        assert name.endswith((".csv", ".ndjson", ".json", ".txt", ".py", "SHA256SUMS")), name
        text = made.text(name)
        assert [
            word for word in (*names, *mails, *kits, "allocation_listentry") if word in text
        ] == [], name
    # Arms are named where the study is described and where somebody guesses, never beside what was given.
    told = {name for name in made.names() if any(arm in made.text(name) for arm in arms)}
    assert told <= {
        "protocol_versions.csv",
        "steps.csv",
        "assessments.csv",
        "fhir/Questionnaire.ndjson",
    }
    steps = {
        row["step"] for row in made.rows("steps.csv") if any(arm in row["value"] for arm in arms)
    }
    assert steps <= {"guess"}
    assert "arms.csv" not in made.names()


@pytest.mark.shows("A-07", "A-23")
def test_the_check_passes_and_one_changed_character_fails_it(
    made: Unpacked, tmp_path: Path
) -> None:
    folder = made.to(tmp_path)
    assert run_check(folder) == (
        0,
        "Everything is as it was exported, and one row per person stays one row.\n",
    )
    people = folder / "people.csv"
    people.write_bytes(people.read_bytes().replace(b"eligible", b"eligib1e", 1))
    (folder / "more.csv").write_text("code\n", encoding="utf-8")
    code, said = run_check(folder)
    assert code == 1
    assert "people.csv was changed" in said
    assert "more.csv is no part of the export." in said


def test_a_join_that_changes_the_number_of_people_is_found(made: Unpacked, tmp_path: Path) -> None:
    """Field case F-57: a file with several rows per person, joined as if it had one, doubled a sample."""
    folder = made.to(tmp_path)
    header, *people = made.rows("people.csv")
    sets = made.rows("vital_sets.csv")
    joined = [
        (one["code"], two["id"])
        for one in [header, *people]
        for two in sets
        if one["code"] == two["code"]
    ]
    assert len(joined) > len({code for code, _ in joined})
    (tmp_path / "joined.csv").write_text(
        "code,set\n" + "".join(f"{a},{b}\n" for a, b in joined), encoding="utf-8"
    )
    code, said = run_check(folder, "--merged", str(tmp_path / "joined.csv"))
    assert code == 1
    assert f"{len(joined)} rows for" in said
    assert run_check(folder, "--merged", str(folder / "people.csv"))[0] == 0


def test_every_file_says_what_a_row_is_its_key_and_how_many(made: Unpacked) -> None:
    said = {row["file"]: row for row in made.rows("tables.csv")}
    described = {(row["file"], row["column"]) for row in made.rows("dictionary.csv")}
    for name, row in said.items():
        rows = made.rows(name)
        assert (
            made.text(name).splitlines()[1]
            == f"# One row is {row['one row is']}; its key is {row['key']}"
        )
        assert int(row["rows"]) == len(rows)
        if rows:
            assert {(name, column) for column in rows[0]} == {
                pair for pair in described if pair[0] == name
            }
            if "code" in rows[0]:
                assert int(row["people"]) == len({one["code"] for one in rows} - {""})
    assert len(made.rows("people.csv")) == len(made.rows("volunteers.csv"))
    assert len(made.rows("medicines.csv")) == sum(
        len(one.medicines) for one in AnswerSet.objects.all()
    )
    assert all(row["meaning"] and row["type"] for row in made.rows("dictionary.csv"))


def test_every_value_names_the_consent_it_was_recorded_under(made: Unpacked) -> None:
    """Field case F-04: values of one study's screening served another study, before its consent."""
    consents = {row["id"]: row for row in made.rows("consents.csv")}
    seen = 0
    for name in VALUES:
        for row in made.rows(f"{name}.csv"):
            consent = consents[row["consent_id"]]
            assert consent["code"] == row["code"]
            assert consent["signed_at"] < row[MOMENTS.get(name, "taken_at")]
            seen += 1
    assert seen > 50


def test_the_same_record_makes_the_same_bytes(world: World, made: Unpacked) -> None:
    assert exported(world.study).content == made.content


def resources(made: Unpacked) -> dict[str, list[dict[str, Any]]]:
    return {
        Path(name).stem: [json.loads(line) for line in made.text(name).splitlines()]
        for name in made.names()
        if name.startswith("fhir/")
    }


def model_of(kind: str) -> Any:
    return getattr(import_module(f"fhir.resources.{kind.lower()}"), kind)


def test_fhir_resources_are_read_by_an_independent_library(made: Unpacked) -> None:
    """fhir.resources (PyPI) checks structure, types and required elements of R5; it does not look codes up."""
    from pydantic import ValidationError

    found = resources(made)
    assert set(found) == {
        "ResearchStudy", "Patient", "ResearchSubject", "Consent", "Questionnaire", "QuestionnaireResponse",
        "Observation", "Appointment", "MedicationAdministration", "AdverseEvent",
    }  # fmt: skip
    for kind, rows in found.items():
        assert rows, kind
        assert len({row["id"] for row in rows}) == len(rows)
        for row in rows:
            assert row["resourceType"] == kind
            model_of(kind).model_validate(row)
    with pytest.raises(ValidationError):
        model_of("Observation").model_validate(found["Observation"][0] | {"status": None})
    with pytest.raises(ValidationError):
        model_of("Appointment").model_validate(found["Appointment"][0] | {"arm": "x"})


def test_fhir_values_are_those_of_the_tables(made: Unpacked) -> None:
    """LOINC 85354-9 with 8480-6 and 8462-4, 8867-4; UCUM mm[Hg], /min (HL7 FHIR R5, vital signs profiles)."""
    found = resources(made)
    sets = {row["id"]: row for row in made.rows("vital_sets.csv") if row["systolic"]}
    pressures = [
        one for one in found["Observation"] if one["code"]["coding"][0]["code"] == "85354-9"
    ]
    assert len(pressures) == len(sets)
    for one in pressures:
        row = sets[one["id"].removeprefix("pressure-")]
        values = {
            part["code"]["coding"][0]["code"]: part["valueQuantity"] for part in one["component"]
        }
        assert values["8480-6"]["value"] == float(row["systolic"])
        assert values["8462-4"] == {
            "value": float(row["diastolic"]), "unit": "mm[Hg]", "system": "http://unitsofmeasure.org", "code": "mm[Hg]",
        }  # fmt: skip
        assert one["subject"] == {"reference": f"Patient/{row['code']}"}
    rates = [one for one in found["Observation"] if one["code"]["coding"][0]["code"] == "8867-4"]
    assert {one["valueQuantity"]["code"] for one in rates} == {"/min"}
    assert {one["medication"]["concept"]["text"] for one in found["MedicationAdministration"]} == {
        "study capsule, blinded: active substance or placebo"
    }
    assert all("assignedComparisonGroup" not in one for one in found["ResearchSubject"])
