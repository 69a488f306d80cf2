"""Drawings: every value is where it belongs, and the sets keep their own limits."""

import pytest

from screening.rules.curve_chart import curve_chart
from screening.rules.drawing import Dot, Line, Rect, Scale, Track, Words
from screening.rules.kinetics import SETS
from screening.rules.vital_chart import MOST, Column, Edges, vital_chart

BAND = {
    "systolic": Edges(100, 140, 90, 160),
    "diastolic": Edges(60, 90, 55, 100),
    "pulse": Edges(60, 100, 50, 100),
}
AFTER = {"systolic": Edges(90, None, 85, None)}


def column(
    systolic: float | None, edges: dict[str, Edges] = BAND, *, current: bool = False
) -> Column:
    values = None if systolic is None else {"systolic": systolic, "diastolic": 70.0, "pulse": 65.0}
    reading = {"systolic": 111.0, "diastolic": 70.0, "pulse": 65.0}
    return Column("04 Mar 10:05", "screening", (reading,) * 3, values, edges, current)


def test_no_set_no_drawing() -> None:
    assert vital_chart([]) is None


def test_a_value_lies_between_the_edges_it_lies_between() -> None:
    drawing = vital_chart([column(99.5), column(140, current=True)])
    assert drawing is not None
    dots = [s for s in drawing.shapes if isinstance(s, Dot) and s.look.startswith("chart-value")]
    assert [dot.look for dot in dots[:2]] == ["chart-value", "chart-value-now"]
    edges = [s for s in drawing.shapes if isinstance(s, Line)][:4]  # systolic of the first set
    heights = {line.y1: line.look for line in edges}
    review_low, review_high, pass_low, pass_high = heights
    # Heights count from the top: 160 is highest, then 140, 100, 90.
    assert review_high < pass_high < pass_low < review_low
    assert pass_low < dots[0].y < review_low  # 99.5 does not pass
    assert dots[1].y == pytest.approx(pass_high)  # 140 lies on the edge that no longer passes
    numbers = [s.text for s in drawing.shapes if isinstance(s, Words) and s.look == "chart-number"]
    assert numbers[:2] == ["99.5", "140"]


def test_open_ends_and_missing_limits_are_drawn_as_far_as_they_go() -> None:
    drawing = vital_chart([column(None), column(88, AFTER)])
    assert drawing is not None
    bands = [s for s in drawing.shapes if isinstance(s, Rect) and s.look == "chart-pass"]
    assert len(bands) == 4  # three of the first set, systolic only of the second
    assert all(band.height > 0 for band in bands)
    for shape in drawing.shapes:
        if isinstance(shape, Rect):
            assert 0 <= shape.x <= drawing.width
            assert shape.x + shape.width <= drawing.width
            assert shape.y >= 0
            assert shape.y + shape.height <= drawing.height


def test_only_the_newest_sets_are_drawn() -> None:
    many = vital_chart([column(100 + n) for n in range(MOST + 3)])
    assert many is not None
    numbers = [s.text for s in many.shapes if isinstance(s, Words) and s.look == "chart-number"]
    assert len(numbers) == 3 * MOST
    assert numbers[0] == "103"


def test_a_scale_holds_what_lies_beyond_it() -> None:
    scale = Scale(0, 10, 100, 0)
    assert [scale.at(v) for v in (-5, 0, 2.5, 10, 99)] == [100, 100, 75, 0, 0]


def test_the_curve_peaks_where_it_should() -> None:
    drawing = curve_chart(SETS, "typical")
    strong = [s for s in drawing.shapes if isinstance(s, Track) and s.look == "chart-curve-strong"]
    assert len(strong) == 1
    points = [tuple(map(float, pair.split(","))) for pair in strong[0].points.split()]
    highest = min(range(len(points)), key=lambda n: points[n][1])
    assert highest / 10 == pytest.approx(1.5, abs=0.11)  # one point every 0.1 h
    said = [s.text for s in drawing.shapes if isinstance(s, Words)]
    assert "peak 36.3 ng/mL" in said
