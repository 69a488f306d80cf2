"""Histograms hold every value once, and mark those outside the window."""

import itertools

from hypothesis import given
from hypothesis import strategies as st

from screening.rules.drawing import Rect
from studylab.reports.rules.histogram import MOST_BINS, Allowed, bins, histogram

WINDOW = Allowed(90, 105, 90)


def test_waits_around_the_window() -> None:
    rows = bins([89.5, 90, 95, 105, 105.5, 130], WINDOW)
    assert sum(row.number for row in rows) == 6
    assert sum(row.outside for row in rows) == 3, "both ends of the window are inside it"
    assert (rows[0].start, rows[0].end, rows[0].outside) == (88, 90, 1)


@given(st.lists(st.floats(-5000, 50_000), max_size=50))
def test_every_value_is_in_one_bin_and_the_bins_stay_few(values: list[float]) -> None:
    rows = bins(values, WINDOW)
    assert sum(row.number for row in rows) == len(values)
    assert sum(row.outside for row in rows) == sum(not WINDOW.has(value) for value in values)
    assert len(rows) <= 5 * MOST_BINS + 1
    assert all(a.end == b.start for a, b in itertools.pairwise(rows))
    shapes = histogram(rows, WINDOW, unit="minutes").shapes
    assert all(shape.width > 0 for shape in shapes if isinstance(shape, Rect))
