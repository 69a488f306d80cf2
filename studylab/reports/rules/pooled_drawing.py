"""Means before and after the dose with one standard deviation each way."""

from collections.abc import Sequence

from screening.rules.drawing import Dot, Drawing, Line, Scale, Shape, Words, track
from studylab.reports.rules.pooled import Line as Measure
from studylab.reports.rules.pooled import Spread

WIDTH, HEIGHT, TOP, BASE, PANEL, GAP = 720.0, 280.0, 40.0, 232.0, 200.0, 40.0


def drawn(measures: Sequence[Measure]) -> Drawing:
    """Return one panel per measure, all on scales of their own."""
    shapes: list[Shape] = []
    for place, measure in enumerate(measures):
        shapes += _panel(20 + place * (PANEL + GAP), measure)
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _panel(x: float, measure: Measure) -> list[Shape]:
    both = (measure.before, measure.after)
    low = min(one.mean - one.sd for one in both)
    high = max(one.mean + one.sd for one in both)
    room = max((high - low) / 10, 1)
    up = Scale(low - room, high + room, BASE, TOP)
    places = (x + PANEL * 0.3, x + PANEL * 0.7)
    title = Words(x + PANEL / 2, TOP - 18, f"{measure.name}, {measure.unit}", "plot-words")
    joined = [(at, up.at(one.mean)) for at, one in zip(places, both, strict=True)]
    shapes: list[Shape] = [
        title,
        Line(x, BASE, x + PANEL, BASE, "plot-axis"),
        track(joined, "plot-second"),
    ]
    for at, one, word in zip(places, both, ("before", "after"), strict=True):
        shapes += _spread(at, one, up)
        shapes.append(Words(at, BASE + 20, word, "plot-quiet"))
    return shapes  # fmt: skip


def _spread(x: float, one: Spread, up: Scale) -> list[Shape]:
    high, low, middle = up.at(one.mean + one.sd), up.at(one.mean - one.sd), up.at(one.mean)
    return [
        Line(x, high, x, low, "plot-whisker"),
        Line(x - 6, high, x + 6, high, "plot-whisker"),
        Line(x - 6, low, x + 6, low, "plot-whisker"),
        Dot(x, middle, 5, "plot-bar"),
        Words(x + 12, middle + 4, f"{one.mean:g}", "plot-words", "start"),
    ]
