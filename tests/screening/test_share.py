"""How many of the open survey's people a study's limits let through, against numpy over the survey's own file."""

import csv
from dataclasses import replace

import numpy as np
import pytest

from screening.rules.share import Measured, independent_share, shares
from screening.rules.table import load_table
from screening.selectors.survey import survey_file, survey_people, survey_shares
from studylab.studies.rules.limits import Band, VitalBands


@pytest.fixture(scope="module")
def columns():
    """The survey's columns for adults with three plausible readings, read without the program."""
    with survey_file().open(encoding="utf-8") as lines:
        header, *body = csv.reader(lines, delimiter="\t")
    data = np.array(body, dtype=object)

    def of(name):
        column = data[:, header.index(name)]
        return np.array([float(text) if text else np.nan for text in column])

    sys = [of(f"SystolicBloodPres{n}RdgMmHg") for n in ("1St", "2Nd", "3Rd")]
    dia = [of(f"DiastolicBloodPres{n}RdgMmHg") for n in ("1St", "2Nd", "3Rd")]
    dia = [np.where(d < 1e-70, 0, d) for d in dia]
    pulse, age = of("60SecPulse30SecPulse2"), of("AgeInYearsAtScreening")
    keep = (age >= 18) & (pulse >= 30) & (pulse <= 220)
    for high, low in zip(sys, dia, strict=True):
        keep &= (high >= 60) & (high <= 260) & (low >= 30) & (low <= 160) & (low < high - 10)
    weight, height = of("WeightKg"), of("StandingHeightCm")
    found = {
        "age": age, "Systolic pressure": (sys[1] + sys[2]) / 2, "Diastolic pressure": (dia[1] + dia[2]) / 2,
        "Pulse": pulse, "weight": weight, "bmi": weight / (height / 100) ** 2,
    }  # fmt: skip
    return {name: column[keep] for name, column in found.items()}


def _narrow(limits):
    """The limits of the case F-19: pulse 62 to 90, systolic 105 to 130."""
    bands = replace(limits.screening, pulse=Band(62, 90, 62, 90), systolic=Band(105, 130, 105, 130))
    return replace(limits, screening=bands)


@pytest.mark.parametrize("which", ["proposed", "narrow"])
def test_each_rule_and_all_together_as_counted_by_numpy(limits, columns, which):
    limits = limits if which == "proposed" else _narrow(limits)
    ages = (columns["age"] >= 18) & (columns["age"] <= 45)
    ours, adults = survey_shares(limits, limits.screening)
    for found, rows in ((ours, ages), (adults, np.ones_like(ages))):
        assert found.people == rows.sum()
        passing, inside = rows.copy(), rows.copy()
        for rule in found.rules[:3]:
            key = {"Systolic pressure": "systolic", "Diastolic pressure": "diastolic"}
            band: Band = getattr(limits.screening, key.get(rule.name, "pulse"))
            value = columns[rule.name]
            ok = (value >= band.pass_from) & (value < band.pass_below)
            review = (value >= band.review_from) & (value < band.review_below)
            if band.upper_included:
                ok |= value == band.pass_below
                review |= value == band.review_below
            assert rule.passes == (ok & rows).sum()
            assert rule.outside == (~ok & ~review & rows).sum()
            passing &= ok
            inside &= ok | review
        body = {
            "Body mass index": (columns["bmi"] >= 18.5) & (columns["bmi"] <= 30),
            "Weight": columns["weight"] >= 50,
        }
        for rule in found.rules[3:]:
            assert rule.passes == (body[rule.name] & rows).sum()
            passing &= body[rule.name]
        # A body mass outside its range excludes, a low weight goes to a physician; not known is outside.
        inside &= body["Body mass index"] & ~np.isnan(columns["weight"])
        assert found.rules[4].outside == (np.isnan(columns["weight"]) & rows).sum()
        assert found.passes == passing.sum()
        assert found.outside == (rows & ~inside).sum()
        assert found.passes + found.physician + found.outside == found.people


def test_narrow_limits_name_the_rule_that_removes_most(limits):
    narrow = _narrow(limits)
    ours, _adults = survey_shares(narrow, narrow.screening)
    worst = max(ours.rules, key=lambda rule: rule.outside)
    assert ours.removes_most == worst
    assert ours.passes < survey_shares(limits, limits.screening)[0].passes


def test_missing_weight_is_never_a_pass(limits):
    person = Measured(30, None, None, 115, 75, 70)
    found = shares([person], limits, limits.screening, load_table())
    assert (found.passes, found.outside) == (0, 1)
    assert [rule.outside for rule in found.rules] == [0, 0, 0, 1, 1]
    assert [rule.alone for rule in found.rules] == [0] * 5


def test_limits_that_let_everybody_through_remove_nobody(limits):
    wide = VitalBands(*(Band(0, 300, 0, 300) for _ in range(3)))
    one = Measured(30, 22, 70, 115, 75, 70)
    assert shares([one], limits, wide, load_table()).removes_most is None


def test_24_independent_ranges_of_95_in_100_are_passed_by_29_in_100():
    """0.95 to the 24th; field case F-19 (Clin Pharmacol Ther 1975;17:253: 4 of 29 had every test inside)."""
    assert independent_share(24) == pytest.approx(0.292, abs=0.0005)


def test_the_survey_is_read_once():
    assert survey_people() is survey_people()
    assert len(survey_people()) > 4000
