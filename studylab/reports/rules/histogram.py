"""Histograms of what was kept, with the window drawn, and bars of counts."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor

from screening.rules.drawing import Drawing, Line, Rect, Scale, Shape, Words

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BASE = 640.0, 250.0, 44.0, 20.0, 34.0, 190.0
MOST_BINS = 24
_WIDTHS = (0.25, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 1440)


@dataclass(frozen=True, slots=True)
class Allowed:
    """A window, both ends included, and its target (None when there is none)."""

    earliest: float
    latest: float
    target: float | None = None

    def has(self, value: float) -> bool:
        """Whether a value lies inside."""
        return self.earliest <= value <= self.latest


@dataclass(frozen=True, slots=True)
class Bin:
    """Values from `start` up to, and without, `end`: how many, and how many of them lie outside the window."""

    start: float
    end: float
    number: int
    outside: int


def bins(values: Sequence[float], allowed: Allowed) -> list[Bin]:
    """Return bins of one round width that cover the values and the window."""
    low, high = min([*values, allowed.earliest]), max([*values, allowed.latest])
    width = next((w for w in _WIDTHS if (high - low) / w <= MOST_BINS - 2), _WIDTHS[-1])
    first, last = floor(low / width), floor(high / width)
    if (
        last - first >= 5 * MOST_BINS
    ):  # a value far out: it still has a bar, the empty ones between are fewer
        width *= ceil((last - first) / MOST_BINS)
        first, last = floor(low / width), floor(high / width)
    found = {place: [0, 0] for place in range(first, last + 1)}
    for value in values:
        counts = found[floor(value / width)]
        counts[0] += 1
        counts[1] += not allowed.has(value)
    return [Bin(n * width, (n + 1) * width, *counts) for n, counts in found.items()]


def histogram(rows: Sequence[Bin], allowed: Allowed, *, unit: str) -> Drawing:
    """Return the bars over the window; bars with values outside it have another look there."""
    low, high = rows[0].start, rows[-1].end
    across = Scale(low, high, LEFT, WIDTH - RIGHT)
    most = max([1, *(row.number for row in rows)])
    up = Scale(0, most, BASE, TOP)
    start, end = across.at(allowed.earliest), across.at(allowed.latest)
    shapes: list[Shape] = [
        Rect(start, TOP - 10, max(end - start, 1), BASE - TOP + 10, "plot-window")
    ]
    shapes += [Line(x, TOP - 10, x, BASE, "plot-edge") for x in (start, end)]
    if allowed.target is not None:
        shapes.append(Line(across.at(allowed.target), TOP - 10, across.at(allowed.target), BASE, "plot-target"))  # fmt: skip
    for row in rows:
        shapes += _bar(row, across, up)
    step = max(1, ceil(len(rows) / 8))
    for row in rows[::step]:
        shapes.append(Words(across.at(row.start), BASE + 20, f"{row.start:g}", "plot-quiet"))
    shapes += [
        Line(LEFT, BASE, WIDTH - RIGHT, BASE, "plot-axis"),
        Words((LEFT + WIDTH - RIGHT) / 2, BASE + 44, unit, "plot-quiet"),
        Words(LEFT - 8, BASE + 4, "0", "plot-quiet", "end"),
        Words(LEFT - 8, up.at(most) + 4, str(most), "plot-quiet", "end"),
    ]
    return Drawing(WIDTH, HEIGHT, tuple(shapes))  # fmt: skip


def _bar(row: Bin, across: Scale, up: Scale) -> list[Shape]:
    x, width = across.at(row.start) + 1, across.at(row.end) - across.at(row.start) - 2
    inside = row.number - row.outside
    parts = (("plot-bar", 0, inside), ("plot-out", inside, row.number))
    return [
        Rect(x, up.at(upper), max(width, 1), round(up.at(lower) - up.at(upper), 1), look)
        for look, lower, upper in parts
        if upper > lower
    ]


def bars(rows: Sequence[tuple[str, int]]) -> Drawing:
    """Return one lying bar per row with its number, the names above them."""
    most, each = max([1, *(number for _name, number in rows)]), 46.0
    across = Scale(0, most, 8, WIDTH - 60)
    shapes: list[Shape] = []
    for place, (name, number) in enumerate(rows):
        y = 8 + place * each
        shapes += [
            Words(8, y + 12, name, "plot-words", "start"),
            Rect(8, y + 18, max(across.at(number) - 8, 1), 14, "plot-bar"),
            Words(across.at(number) + 8, y + 30, str(number), "plot-words", "start"),
        ]
    return Drawing(WIDTH, 16 + each * len(rows), tuple(shapes))
