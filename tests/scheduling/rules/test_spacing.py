"""Spacing by elapsed time, bounds included, over clock changes of the IANA time zone database."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from scheduling.rules.spacing import (
    check_spacing,
    dose_offset,
    planned_anchors,
    split_anchor,
    window,
)
from tests.scheduling.rules.schedule_examples import (
    CONSECUTIVE,
    protocol,
    spacing,
    three_visits,
    visit,
)

EXACT = (spacing("visit1.start", "visit2.start", 24, 24, 24),)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def verdicts(rules, **anchors: str) -> list[str]:
    known = {name.replace("_", "."): at(text) for name, text in anchors.items()}
    return [result.verdict for result in check_spacing(protocol((), rules), known)]


@pytest.mark.parametrize(
    ("second", "verdict"),
    [
        ("2026-06-02T07:59:59Z", "early"), ("2026-06-02T08:00Z", "kept"), ("2026-06-02T10:00Z", "kept"),
        ("2026-06-02T12:00Z", "kept"), ("2026-06-02T12:00:01Z", "late"),
    ],
)  # fmt: skip
def test_bounds_are_included(second, verdict) -> None:
    rules = CONSECUTIVE[:1]
    assert verdicts(rules, visit1_start="2026-06-01T10:00Z", visit2_start=second) == [verdict]


@pytest.mark.parametrize(
    ("first", "later", "same", "same_verdict"),
    [
        ("2026-03-28T10:00+01:00", "2026-03-29T11:00+02:00", "2026-03-29T10:00+02:00", "early"),
        ("2026-10-24T10:00+02:00", "2026-10-25T09:00+01:00", "2026-10-25T10:00+01:00", "late"),
        ("2026-03-07T10:00-05:00", "2026-03-08T11:00-04:00", "2026-03-08T10:00-04:00", "early"),
        ("2026-10-31T10:00-04:00", "2026-11-01T09:00-05:00", "2026-11-01T10:00-05:00", "late"),
        ("2026-04-04T10:00+11:00", "2026-04-05T09:30+10:30", "2026-04-05T10:00+10:30", "late"),
        ("2026-10-03T10:00+10:30", "2026-10-04T10:30+11:00", "2026-10-04T10:00+11:00", "early"),
    ],
)
def test_24_hours_are_elapsed_hours_over_a_clock_change(first, later, same, same_verdict) -> None:
    assert verdicts(EXACT, visit1_start=first, visit2_start=later) == ["kept"]
    assert verdicts(EXACT, visit1_start=first, visit2_start=same) == [same_verdict]


def test_datetimes_in_one_zone_are_not_subtracted_by_the_clock() -> None:
    zone = ZoneInfo("Europe/Amsterdam")
    known = {
        "visit1.start": datetime(2026, 3, 28, 10, tzinfo=zone),
        "visit2.start": datetime(2026, 3, 29, 10, tzinfo=zone),
    }
    (result,) = check_spacing(protocol((), EXACT), known)
    assert result.elapsed == timedelta(hours=23)
    assert result.verdict == "early"
    assert "1 h too early" in result.message


def test_what_is_not_known_is_unknown_and_named() -> None:
    results = check_spacing(
        three_visits(), {"visit1.start": at("2026-06-01T10:00Z"), "visit2.start": None}
    )
    assert [result.verdict for result in results] == ["unknown", "unknown"]
    assert "the start of visit 2" in results[0].message
    assert "the start of visit 2 and the start of visit 3" in results[1].message


def test_a_time_without_zone_is_refused_by_name() -> None:
    known = {"visit1.start": datetime(2026, 6, 1, 10), "visit2.start": at("2026-06-02T10:00Z")}
    with pytest.raises(ValueError, match=r"visit1\.start has no time zone"):
        check_spacing(protocol((), EXACT), known)


def test_window_in_elapsed_time() -> None:
    found = window(CONSECUTIVE[0], at("2026-10-24T10:00+02:00"))
    assert found.earliest == at("2026-10-25T07:00+01:00")
    assert found.target == at("2026-10-25T09:00+01:00")
    assert found.latest == at("2026-10-25T11:00+01:00")
    assert found.contains(found.earliest)
    assert found.contains(found.latest)
    assert not found.contains(found.latest + timedelta(seconds=1))


def test_planned_anchors_put_the_dose_at_the_start_of_its_segment() -> None:
    with_segment = visit(
        2, ("session", 45, {}), ("capsule", 5, {}), ("wait", 90, {}), dose="capsule"
    )
    assert dose_offset(with_segment) == timedelta(minutes=45)
    assert dose_offset(visit(1, ("session", 45, {}))) == timedelta(0)
    plan = protocol((visit(1, ("learning", 60, {})), with_segment))
    anchors = planned_anchors(plan, {1: at("2026-06-01T10:00Z"), 2: at("2026-06-02T10:00Z")})
    assert anchors == {
        "visit1.start": at("2026-06-01T10:00Z"),
        "visit1.end": at("2026-06-01T11:00Z"),
        "visit2.start": at("2026-06-02T10:00Z"),
        "visit2.end": at("2026-06-02T12:20Z"),
        "visit2.dose": at("2026-06-02T10:45Z"),
    }


@pytest.mark.parametrize("name", ["visit1", "visit1.middle", ""])
def test_an_unknown_anchor_is_named(name) -> None:
    with pytest.raises(ValueError, match="is not an anchor"):
        split_anchor(name)
