"""Openings, windows between planned starts, and bounds on single segments. Pure: no database."""

from datetime import UTC, date, datetime, time, timedelta

import pytest

from scheduling.rules.fences import Fence, fence_timelines, fenced, unfenced
from scheduling.rules.gaps import gap_of, part_of, start_window, uses
from scheduling.rules.openings import (
    Hours,
    local_edge,
    open_between,
    read_hours,
    say_week,
    without,
)
from scheduling.rules.search import search_series
from scheduling.rules.timeline import Grid, PlaceTimeline
from tests.scheduling.rules.schedule_examples import protocol, spacing, three_visits, visit


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def hours(count: float) -> timedelta:
    return timedelta(hours=count)


class TestOpenings:
    """Transitions of check data: Amsterdam 2026-03-29 01:00Z and 2026-10-25 01:00Z (IANA)."""

    def test_an_edge_in_the_gap_moves_behind_it(self) -> None:
        day = date(2026, 3, 29)
        assert local_edge(day, time(2, 30), "Europe/Amsterdam") == at("2026-03-29T01:00")

    def test_a_doubled_edge_opens_early_and_closes_late(self) -> None:
        day = date(2026, 10, 25)
        zone = "Europe/Amsterdam"
        assert local_edge(day, time(2, 30), zone) == at("2026-10-25T00:30")
        assert local_edge(day, time(2, 30), zone, closing=True) == at("2026-10-25T01:30")

    def test_hours_are_clipped_and_joined(self) -> None:
        rows = [Hours(3, time(8), time(12)), Hours(3, time(12), time(17))]
        start, end = at("2026-11-26T09:00"), at("2026-11-26T16:00")
        assert open_between(rows, "UTC", start, end) == ((start, end),)

    def test_without(self) -> None:
        day = [(at("2026-11-26T08:00"), at("2026-11-26T18:00"))]
        lunch = (at("2026-11-26T12:00"), at("2026-11-26T13:00"))
        assert without(day, [lunch]) == ((day[0][0], lunch[0]), (lunch[1], day[0][1]))
        assert without(day, day) == ()

    @pytest.mark.parametrize(
        ("text", "spans"),
        [
            ("", ()),
            ("8:00-12:30", ((time(8), time(12, 30)),)),
            ("13:00–17:00, 08:00 to 12:00", ((time(8), time(12)), (time(13), time(17)))),
        ],
    )
    def test_read_hours(self, text: str, spans: tuple[tuple[time, time], ...]) -> None:
        assert read_hours(text) == spans

    def test_say_week(self) -> None:
        rows = [Hours(day, time(8), time(17)) for day in (0, 1, 2, 3, 4, 6)]
        assert say_week(rows) == ["Monday to Friday 08:00-17:00", "Sunday 08:00-17:00"]
        assert say_week([]) == []


class TestGaps:
    def test_a_dose_anchor_adds_the_planned_dose(self) -> None:
        """The dose is planned 45 minutes into visit 2: 20 to 28 h after it is 20:45 to 28:45 after the start."""
        rules = (
            spacing("visit1.start", "visit2.start", 22, 24, 26),
            spacing("visit2.dose", "visit3.start", 20, 24, 28),
        )
        plan = three_visits(spacings=rules)
        second, third = gap_of(plan, 2), gap_of(plan, 3)
        assert second is not None
        assert third is not None
        assert (second.anchor, second.earliest, second.latest) == (1, hours(22), hours(26))
        assert (third.anchor, third.earliest, third.latest) == (2, hours(20.75), hours(28.75))
        assert gap_of(plan, 1) is None

    def test_the_nearest_visit_counts(self) -> None:
        rules = (
            spacing("visit1.start", "visit3.start", 40, 48, 56),
            spacing("visit1.start", "visit2.start", 22, 24, 26),
            spacing("visit2.start", "visit3.start", 22, 24, 26),
        )
        gap = gap_of(three_visits(spacings=rules), 3)
        assert gap is not None
        assert gap.anchor == 2

    def test_start_window_from_both_sides(self) -> None:
        plan = three_visits()
        one, three = at("2026-11-24T09:00"), at("2026-11-26T08:00")
        low, high = start_window(plan, 2, {"visit1.start": one, "visit3.start": three})
        assert low == max(one + hours(22), three - hours(26))
        assert high == min(one + hours(26), three - hours(22))
        assert start_window(plan, 1, {}) == (None, None)

    def test_part_of_keeps_inner_rules_only(self) -> None:
        part = part_of(three_visits(), [2, 3])
        assert [row.number for row in part.visits] == [2, 3]
        assert [(row.start, row.end) for row in part.spacings] == [("visit2.start", "visit3.start")]


def test_a_use_runs_over_segments_in_a_row_and_begins_anew_after_a_break() -> None:
    plan = three_visits(turnaround={"lab": 15})
    grid = Grid.covering(at("2026-11-24T08:00"), at("2026-11-27T18:00"))
    found = search_series(
        plan=plan, grid=grid, places={"lab": (PlaceTimeline(1, grid.full),)},
        person_free=grid.full, zone="UTC",
    )  # fmt: skip
    second = found.options[0].visits[1]
    rows = uses(second, plan.turnaround)
    assert [row.segments for row in rows] == [("session",), ("test",)]
    assert [row.blocked_until - row.end for row in rows] == [timedelta(minutes=15)] * 2


class TestFences:
    def test_a_segment_starts_inside_its_fence_edges_included(self) -> None:
        plan = protocol((visit(1, ("rest", 30, {"lab": 1}), ("dose", 10, {"lab": 1})),))
        grid = Grid.covering(at("2026-11-24T08:00"), at("2026-11-24T18:00"))
        fence = Fence("sign-off", 1, "dose", at("2026-11-24T10:00"), at("2026-11-24T11:00"))
        found = search_series(
            plan=fenced(plan, [fence]), grid=grid,
            places={"lab": (PlaceTimeline(1, grid.full),)} | fence_timelines(plan, grid, [fence]),
            person_free=grid.full, zone="UTC", limit=50,
        )  # fmt: skip
        options = [unfenced(option, [fence]) for option in found.options]
        doses = sorted(option.visits[0].segments[1].start for option in options)
        assert doses
        assert fence.earliest <= doses[0]
        assert doses[-1] <= fence.latest
        kinds = {
            ref.kind
            for option in options
            for row in option.visits[0].segments
            for ref in row.places
        }
        assert kinds == {"lab"}

    def test_an_empty_fence_leaves_nothing(self) -> None:
        plan = protocol((visit(1, ("rest", 30, {"lab": 1})),))
        grid = Grid.covering(at("2026-11-24T08:00"), at("2026-11-24T18:00"))
        fence = Fence("spacing", 1, "rest", at("2026-11-24T12:00"), at("2026-11-24T11:00"))
        assert fence_timelines(plan, grid, [fence])["spacing"][0].free == 0
