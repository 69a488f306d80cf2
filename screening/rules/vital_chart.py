"""Draws sets of readings against their limits: one panel a value, one column a set, oldest first.

Each column carries the limits of its own gate: where a value passes (shaded, full edges) and where a physician
decides (lighter, dashed edges). Small rings are readings, dots the values that were judged.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from screening.rules.drawing import Dot, Drawing, Line, Rect, Scale, Shape, Words, track
from screening.rules.vitals import shown

PANELS = (
    ("systolic", "Systolic, mmHg"),
    ("diastolic", "Diastolic, mmHg"),
    ("pulse", "Pulse, per minute"),
)
NARROWEST, WIDEST, SPREAD = 92.0, 200.0, 720.0  # of a column; what few columns share
LEFT, RIGHT = 58.0, 12.0
PANEL, HEAD, GAP, FOOT = 150.0, 22.0, 18.0, 40.0
MOST = 8  # columns; the table beside holds every set
PADDING = 6.0  # mmHg or beats above and below everything that is drawn


@dataclass(frozen=True, slots=True)
class Edges:
    """The limits of one value in one set; None where there is no such edge."""

    pass_from: float | None
    pass_below: float | None
    review_from: float | None
    review_below: float | None


@dataclass(frozen=True, slots=True)
class Column:
    """One set. `values` and each reading are by measure; no values when nothing was decided."""

    title: str
    under: str
    readings: tuple[dict[str, float], ...]
    values: dict[str, float] | None
    edges: dict[str, Edges]
    current: bool = False


def vital_chart(columns: Sequence[Column]) -> Drawing | None:
    """Return the drawing of the newest sets, oldest first; None when there is no set."""
    shown_columns = list(columns)[-MOST:]
    if not shown_columns:
        return None
    step = min(max(SPREAD / len(shown_columns), NARROWEST), WIDEST)
    width = LEFT + step * len(shown_columns) + RIGHT
    shapes: list[Shape] = []
    top = 0.0
    for measure, title in PANELS:
        shapes += _panel(measure, title, shown_columns, top, step)
        top += HEAD + PANEL + GAP
    for number, column in enumerate(shown_columns):
        middle = LEFT + step * (number + 0.5)
        look = "chart-now" if column.current else "chart-label"
        shapes.append(Words(middle, top + 2, column.title, look))
        shapes.append(Words(middle, top + 18, column.under, "chart-label"))
    return Drawing(round(width, 1), round(top + FOOT - GAP, 1), tuple(shapes))


def _panel(
    measure: str, title: str, columns: Sequence[Column], top: float, step: float
) -> list[Shape]:
    scale = _scale(measure, columns, top + HEAD + PANEL, top + HEAD)
    shapes: list[Shape] = [
        Words(0, top + 14, title, "chart-title", "start"),
        Rect(LEFT, top + HEAD, step * len(columns), PANEL, "chart-ground"),
    ]
    for number, column in enumerate(columns):
        shapes += _column(measure, column, scale, LEFT + step * number, step)
    shapes += _edge_labels(measure, columns, scale)
    points = [
        (LEFT + step * (number + 0.5), scale.at(column.values[measure]))
        for number, column in enumerate(columns)
        if column.values
    ]
    if len(points) > 1:
        shapes.append(track(points, "chart-track"))
    for number, column in enumerate(columns):
        shapes += _values(measure, column, scale, LEFT + step * (number + 0.5))
    return shapes


def _scale(measure: str, columns: Sequence[Column], bottom: float, top: float) -> Scale:
    found = [reading[measure] for column in columns for reading in column.readings]
    for column in columns:
        edges = column.edges.get(measure)
        if column.values:
            found.append(column.values[measure])
        if edges is not None:
            parts = (edges.pass_from, edges.pass_below, edges.review_from, edges.review_below)
            found += [edge for edge in parts if edge is not None]
    low, high = min(found, default=0.0), max(found, default=100.0)
    return Scale(low - PADDING, high + PADDING, bottom, top)


def _column(measure: str, column: Column, scale: Scale, left: float, width: float) -> list[Shape]:
    edges = column.edges.get(measure)
    if edges is None:
        return []
    shapes: list[Shape] = []
    for low, high, look in (
        (edges.review_from, edges.review_below, "chart-review"),
        (edges.pass_from, edges.pass_below, "chart-pass"),
    ):
        if low is None and high is None:
            continue
        upper = scale.at(scale.high if high is None else high)
        lower = scale.at(scale.low if low is None else low)
        shapes.append(Rect(left, upper, width, round(lower - upper, 1), look))
    for value, look in (
        (edges.review_from, "chart-edge-review"),
        (edges.review_below, "chart-edge-review"),
        (edges.pass_from, "chart-edge-pass"),
        (edges.pass_below, "chart-edge-pass"),
    ):
        if value is not None:
            shapes.append(Line(left, scale.at(value), left + width, scale.at(value), look))
    return shapes


def _edge_labels(measure: str, columns: Sequence[Column], scale: Scale) -> list[Shape]:
    """Name the limits of the set in question at the left, leaving out what would lie on another label."""
    asked = next((column for column in columns if column.current), columns[-1])
    edges = asked.edges.get(measure)
    if edges is None:
        return []
    labels: list[Shape] = []
    taken: list[float] = []
    for value in (edges.pass_from, edges.pass_below, edges.review_from, edges.review_below):
        if value is None or any(abs(scale.at(value) - other) < 11 for other in taken):
            continue
        taken.append(scale.at(value))
        labels.append(Words(LEFT - 8, scale.at(value) + 4, shown(value), "chart-label", "end"))
    return labels


def _values(measure: str, column: Column, scale: Scale, middle: float) -> list[Shape]:
    shapes: list[Shape] = []
    count = len(column.readings)
    for number, reading in enumerate(column.readings):
        x = round(middle + (number - (count - 1) / 2) * 9 - 24, 1)
        shapes.append(Dot(x, scale.at(reading[measure]), 2.5, "chart-reading"))
    if column.values:
        value = column.values[measure]
        look = "chart-value-now" if column.current else "chart-value"
        shapes.append(Dot(middle, scale.at(value), 5, look))
        shapes.append(Words(middle + 9, scale.at(value) + 4, shown(value), "chart-number", "start"))
    return shapes
