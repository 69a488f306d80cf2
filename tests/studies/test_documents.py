"""The two documents that ship: complete, and their numbers equal the published proposals."""

from dataclasses import asdict
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Band, Protocol

DOCUMENTS = Path(__file__).parents[2] / "studylab" / "studies" / "documents"
KINDS = {
    "lab room",
    "waiting chair",
    "sensor set",
    "experimenter",
    "second checker",
    "physician cover",
    "dispensary",
}


def text_of(name: str) -> str:
    return (DOCUMENTS / f"{name}.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def demo() -> Protocol:
    return load_protocol(text_of("demo"))


@pytest.fixture(scope="module")
def conditioning() -> Protocol:
    return load_protocol(text_of("conditioning"))


@pytest.fixture(params=["demo", "conditioning"])
def shipped(request: pytest.FixtureRequest) -> Protocol:
    return load_protocol(text_of(request.param))


def judged(band: Band, value: float) -> str:
    """Say where `value` falls, written anew from the words of the band."""

    def inside(low: float, high: float) -> bool:
        return low <= value < high or (band.upper_included and value == high)

    if inside(band.pass_from, band.pass_below):
        return "pass"
    return "physician" if inside(band.review_from, band.review_below) else "out"


def test_every_document_in_the_folder_loads() -> None:
    names = {path.stem for path in DOCUMENTS.glob("*.toml")}
    assert names == {"demo", "conditioning"}
    for name in names:
        assert load_protocol(text_of(name)).title


# Proposed defaults for one oral dose of 40 mg in healthy adults; proposals of this project's
# pharmacology table (screening, pre-dose, post-dose, leave), each to be confirmed by a physician.
VITALS = {
    "systolic": (100, 140, 90, 160, False),
    "diastolic": (60, 90, 55, 100, False),
    "pulse": (60, 100, 50, 100, True),
}


def test_vital_bands_are_the_proposals(shipped: Protocol) -> None:
    for bands in (shipped.limits.screening, shipped.limits.pre_dose):
        found = {name: tuple(band.values()) for name, band in asdict(bands).items()}
        assert found == VITALS


def test_other_limits_are_the_proposals(shipped: Protocol) -> None:
    limits = shipped.limits
    assert asdict(limits.post_dose) == {
        "pulse_pass_from": 50,
        "pulse_pause_from": 45,
        "systolic_pass_from": 90,
        "systolic_pause_from": 85,
        "diastolic_pass_from": 50,
        "systolic_fall": 25,
        "pulse_fall": 20,
    }
    assert asdict(limits.leave) == {
        "pulse_from": 50,
        "systolic_from": 95,
        "systolic_within_of_screening": 15,
        "earliest_minutes": 240,
        "not_fit_after_minutes": 480,
    }
    assert asdict(limits.measuring) == {
        "rest_seconds": 300,
        "gap_min_seconds": 60,
        "gap_max_seconds": 120,
        "fourth_if_systolic_differs": 10,
        "both_arms_first": True,
        "arms_differ_physician": 20,
        "counted_pulse_below": 55,
        "repeat_after_seconds": 600,
    }
    assert asdict(limits.standing) == {
        "rest_seconds": 300,
        "tolerance_seconds": 30,
        "systolic_fall": 20,
        "diastolic_fall": 10,
        "systolic_from": 90,
        "seated_systolic_fall": 15,
        "seated_diastolic_fall": 7,
    }
    assert (limits.ecg.pr_from, limits.ecg.pr_to, limits.ecg.qtc_to) == (120, 200, 450)
    assert (limits.floor_pulse, limits.floor_systolic, limits.floor_diastolic) == (50, 90, 55)


def test_numbers_are_the_proposals(shipped: Protocol) -> None:
    assert shipped.limits.sign_off_valid_days == 28
    assert shipped.limits.numbers == {
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
    }


@pytest.mark.parametrize(
    ("name", "value", "verdict"),
    [
        # Worked vectors V1 to V4 of the same table, decision values unrounded.
        ("systolic", 111, "pass"),
        ("diastolic", 71, "pass"),
        ("pulse", 65, "pass"),
        ("systolic", 99, "physician"),
        ("systolic", 89.5, "out"),
        ("pulse", 59.5, "physician"),
        # Edges: lower limits included, upper excluded, only the pulse of 100 still passes.
        ("systolic", 100, "pass"),
        ("systolic", 90, "physician"),
        ("systolic", 140, "physician"),
        ("systolic", 160, "out"),
        ("diastolic", 90, "physician"),
        ("diastolic", 54.9, "out"),
        ("pulse", 50, "physician"),
        ("pulse", 49.9, "out"),
        ("pulse", 100, "pass"),
        ("pulse", 100.5, "out"),
    ],
)
def test_worked_vectors_fall_where_the_table_says(
    demo: Protocol, name: str, value: float, verdict: str
) -> None:
    assert judged(getattr(demo.limits.screening, name), value) == verdict


def test_vectors_after_the_dose(demo: Protocol) -> None:
    post, leave = demo.limits.post_dose, demo.limits.leave
    assert post.pulse_pause_from <= 49 < post.pulse_pass_from  # V10: pulse 49 pauses
    assert 3 * 60 + 50 < leave.earliest_minutes == 4 * 60  # V12: 3 h 50 min is too early


def test_demo_is_what_the_laboratory_does(demo: Protocol) -> None:
    assert (demo.timezone, demo.country, demo.subdivision) == ("America/Halifax", "CA", "NS")
    assert (demo.emergency_number, demo.phone_24h) == ("911", "+1 902 555 0143")
    assert demo.currency == "CAD"
    assert (demo.target, demo.allocation.length) == (48, 60)
    assert not demo.allocation.block_sizes  # the pharmacist's, not for everybody's eyes
    (story,) = demo.allocation.open_factors
    assert (story.key, story.levels) == ("story", ("harbour story", "station story"))
    assert demo.supply.count * demo.supply.strength_mg == 40
    assert (demo.follow_up.from_hours, demo.follow_up.until_hours) == (18, 30)
    assert demo.limits.pre_dose_valid_minutes == 30
    assert demo.turnaround == dict.fromkeys(KINDS, 0) | {"lab room": 15, "sensor set": 60}
    assert all(visit.payment > 0 for visit in demo.visits)


def test_spacing_and_wait(shipped: Protocol) -> None:
    first, second = shipped.spacings
    assert (first.start, first.end) == ("visit1.start", "visit2.start")
    hours = [span / timedelta(hours=1) for span in (first.earliest, first.target, first.latest)]
    assert hours == [22, 24, 26]
    assert (second.start, second.end) == ("visit2.dose", "visit3.start")
    hours = [span / timedelta(hours=1) for span in (second.earliest, second.target, second.latest)]
    assert hours == [20, 24, 28]
    assert shipped.dose_wait.length == timedelta(minutes=90)
    assert shipped.dose_wait.before == "post_dose"


def test_dosing_visit_runs_in_the_order_of_the_line(shipped: Protocol) -> None:
    plan = shipped.dosing_visit
    assert plan.number == 2
    order = [step.key for step in plan.steps]
    line = [
        "identity",
        "today",
        "pre_dose",
        "reminder",
        "dose",
        "post_dose",
        "leave_vitals",
        "leave",
    ]
    places = [order.index(key) for key in line]
    assert places == sorted(places)
    assert 290 <= plan.minutes <= 330


def test_segments_match_the_times_after_the_dose(shipped: Protocol) -> None:
    """The post-dose segment begins when the wait ends; the leave segment reaches past four hours."""
    plan = shipped.dosing_visit
    starts, minutes = {}, 0
    for segment in plan.segments:
        starts[segment.key] = minutes
        minutes += segment.minutes
    dose = plan.planned_dose_minutes
    assert dose == starts["dose"]
    assert starts["after_wait"] - dose == 90
    assert starts["leaving"] - dose <= 240 < minutes - dose


def test_a_physician_is_there_from_the_vitals_until_the_end(shipped: Protocol) -> None:
    segments = shipped.dosing_visit.segments
    first = [segment.key for segment in segments].index("before_dose")
    for segment in segments[first:]:
        assert "physician cover" in {need.kind for need in segment.needs}


def test_only_the_kinds_of_the_house_are_used(shipped: Protocol) -> None:
    used = {n.kind for v in shipped.visits for s in v.segments for n in s.needs}
    assert used == KINDS == set(shipped.turnaround)


def test_every_zone_can_be_opened(shipped: Protocol) -> None:
    assert ZoneInfo(shipped.timezone).key == shipped.timezone


def test_conditioning_level_is_found_once_and_shown_later(conditioning: Protocol) -> None:
    level = conditioning.visit(1).step("stim_level")
    assert (level.kind, level.unit, level.carry) == ("work_up", "mA", True)
    rule = level.work_up
    assert rule is not None
    assert (rule.first, rule.rise_from, rule.rise_to) == (1, 2, 3)
    assert rule.stop_at == "clearly unpleasant, no pain"
    assert level.maximum is not None
    for words in ("Start at 1 mA", "2 ms", "2 to 3 mA", "clearly unpleasant, no pain"):
        assert words in level.text
    for number in (2, 3):
        assert "stim_level" in {step.shows for step in conditioning.visit(number).steps}


def test_conditioning_trials_are_common_practice(conditioning: Protocol) -> None:
    for visit in conditioning.visits:
        texts = [step.text for step in visit.steps]
        assert any("about 1.5 cm apart, and one ground" in text for text in texts)
        assert any(text.startswith("10 startle probes") for text in texts)
    one, two, three = conditioning.visits
    assert "three of four trials" in one.step("learning_run").text
    order = [step.key for step in two.steps]
    places = [order.index(key) for key in ("pre_dose", "probes", "reminder", "probe_alone", "dose")]
    assert all(earlier < later for earlier, later in pairwise(places))
    order = [step.key for step in three.steps]
    assert order.index("extinction") < order.index("three_stimuli") < order.index("test")
    assert "about 12 unpaired trials of each" in three.step("extinction").text
    assert "about 4 more unpaired trials of each" in three.step("test").text
    (cue,) = conditioning.allocation.open_factors
    assert cue.levels == ("square", "circle")
    assert (conditioning.timezone, conditioning.country) == ("Europe/Amsterdam", "NL")
    assert conditioning.emergency_number == "112"


def test_shipped_documents_say_that_numbers_are_proposals() -> None:
    for name in ("demo", "conditioning"):
        assert "PROPOSAL" in text_of(name)
    assert "COMMON PRACTICE without a source" in text_of("conditioning")
