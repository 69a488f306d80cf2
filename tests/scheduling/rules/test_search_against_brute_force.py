"""The search finds exactly the series that trying everything finds, in the same order of rank."""

from datetime import UTC, datetime, timedelta
from unittest.mock import patch

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.rules import problem
from scheduling.rules.search import search_series
from scheduling.rules.search_check import verify_option
from scheduling.rules.series import Preferences
from scheduling.rules.timeline import Grid, PlaceIntervals, free_bits, timelines
from tests.scheduling.rules.brute_force import all_starts, rank
from tests.scheduling.rules.schedule_examples import protocol, spacing, visit

KINDS = ("lab", "nurse")
MOSTLY = st.sampled_from([True, True, True, False])
# An ordinary day, and the hours around the clock changes of two zones.
BEGINNINGS = [
    ("Europe/Amsterdam", datetime(2026, 6, 1, 8, tzinfo=UTC)),
    ("Europe/Amsterdam", datetime(2026, 10, 24, 23, 30, tzinfo=UTC)),
    ("Australia/Lord_Howe", datetime(2026, 10, 3, 14, tzinfo=UTC)),
]


@st.composite
def segments(draw):
    needs = st.dictionaries(st.sampled_from(KINDS), st.sampled_from([1, 1, 2]), max_size=2)
    rows = draw(st.lists(st.tuples(st.sampled_from([5, 15, 20]), needs), min_size=1, max_size=3))
    return tuple((f"part{i}", minutes, need) for i, (minutes, need) in enumerate(rows))


@st.composite
def plans(draw):
    count = draw(st.integers(1, 3))
    visits = tuple(visit(i + 1, *draw(segments())) for i in range(count))
    rules = []
    for first, second in [(i, i + 1) for i in range(1, count)] + ([(1, 3)] if count == 3 else []):
        low, spread = draw(st.integers(0, 6)), draw(st.integers(0, 8))
        target = draw(st.integers(0, spread))
        moment = draw(st.sampled_from(["start", "end"]))
        needed = second == first + 1 or draw(st.booleans())
        if needed:
            quarter = 0.25
            rules.append(
                spacing(
                    f"visit{first}.{moment}", f"visit{second}.start",
                    low * quarter, (low + target) * quarter, (low + spread) * quarter,
                )
            )  # fmt: skip
    turnaround = draw(st.dictionaries(st.sampled_from(KINDS), st.sampled_from([0, 5, 20, 40])))
    return protocol(visits, tuple(rules), turnaround)


@st.composite
def instances(draw):
    zone, start = draw(st.sampled_from(BEGINNINGS))
    length = draw(st.integers(8, 18)) * 15

    def intervals(most: int):
        edge = st.integers(0, length - 1)
        pairs = draw(st.lists(st.tuples(edge, st.integers(1, length)), max_size=most))
        return tuple(  # nothing beyond the grid, which the search cannot see
            (start + timedelta(minutes=a), start + timedelta(minutes=min(a + b, length)))
            for a, b in pairs
        )

    whole = (start, start + timedelta(minutes=length))
    places = {
        kind: tuple(
            PlaceIntervals(f"{kind}{i}", (whole,) if draw(MOSTLY) else intervals(2), intervals(1))
            for i in range(draw(st.sampled_from([0, 1, 2, 2, 2, 3])))
        )
        for kind in KINDS
    }
    person = (whole,) if draw(MOSTLY) else intervals(2)
    return draw(plans()), places, whole, person, zone


@settings(max_examples=120, suppress_health_check=list(HealthCheck))
@given(instances(), st.booleans())
def test_same_series_in_the_same_order(instance, clock_first: bool) -> None:
    plan, places, whole, person, zone = instance
    grid = Grid.covering(*whole)
    result = search_series(
        plan=plan, grid=grid, places=timelines(grid, places), person_free=free_bits(grid, person),
        zone=zone, preferences=Preferences(per_day=None, same_clock=clock_first), limit=10**6,
    )  # fmt: skip
    expected = sorted(
        all_starts(plan, places, whole, person),
        key=lambda s: rank(plan, s, zone, clock_first=clock_first),
    )
    got = [tuple(row.start for row in option.visits) for option in result.options]
    assert got == expected
    assert bool(result.why_none) == (not expected)
    for option in result.options:
        assert verify_option(plan=plan, option=option, places=places, person_free=person) == ()
        assert option.score == sum(rank(plan, [v.start for v in option.visits], zone)[:2])


@settings(max_examples=80, suppress_health_check=list(HealthCheck))
@given(instances(), st.booleans(), st.integers(1, 12), st.integers(0, 90))
def test_a_short_first_look_finds_what_a_long_one_finds(
    instance, clock_first: bool, limit: int, look: int
) -> None:
    """The best few, whether or not the first minutes of the grid are looked at alone before the rest."""
    plan, places, whole, person, zone = instance
    grid = Grid.covering(*whole)
    with patch.object(problem, "FIRST_LOOK", timedelta(minutes=look)):
        result = search_series(
            plan=plan, grid=grid, places=timelines(grid, places),
            person_free=free_bits(grid, person), zone=zone, limit=limit,
            preferences=Preferences(per_day=None, same_clock=clock_first),
        )  # fmt: skip
    expected = sorted(
        all_starts(plan, places, whole, person),
        key=lambda s: rank(plan, s, zone, clock_first=clock_first),
    )
    assert [tuple(row.start for row in option.visits) for option in result.options] == expected[
        :limit
    ]
