"""Draws the textbook curve: levels in blood over a day for a set of parameters. For teaching only."""

from collections.abc import Sequence

from screening.rules.drawing import Drawing, Line, Rect, Scale, Shape, Words, track
from screening.rules.kinetics import NamedKinetics, level, peak_hours

WIDTH, HEIGHT, LEFT, TOP, RIGHT, BOTTOM = 720.0, 360.0, 48.0, 16.0, 132.0, 44.0
HOURS = 24
STEP = 0.1  # hours between the points of a curve


def curve_chart(sets: Sequence[NamedKinetics], chosen: str) -> Drawing:
    """Return the curves of `sets`; the one whose key is `chosen` is drawn strongest and named first."""
    highest = max(level(one.kinetics, peak_hours(one.kinetics)) for one in sets)
    across = Scale(0, HOURS, LEFT, WIDTH - RIGHT)
    up = Scale(0, highest * 1.08, HEIGHT - BOTTOM, TOP)
    shapes: list[Shape] = [
        Rect(LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM, "chart-ground")
    ]
    for hour in range(0, HOURS + 1, 4):
        x = across.at(hour)
        shapes.append(Line(x, TOP, x, HEIGHT - BOTTOM, "chart-grid"))
        shapes.append(Words(x, HEIGHT - BOTTOM + 18, str(hour), "chart-label"))
    for value in range(0, int(up.high) + 1, 10):
        y = up.at(value)
        shapes.append(Line(LEFT, y, WIDTH - RIGHT, y, "chart-grid"))
        shapes.append(Words(LEFT - 8, y + 4, str(value), "chart-label", "end"))
    shapes.append(
        Words((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 6, "hours after the dose", "chart-title")
    )
    shapes.append(Words(LEFT + 6, TOP + 14, "ng/mL", "chart-title", "start"))
    for one in sorted(sets, key=lambda named: named.key == chosen):
        shapes += _curve(one, across, up, strong=one.key == chosen)
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _curve(one: NamedKinetics, across: Scale, up: Scale, *, strong: bool) -> list[Shape]:
    count = int(HOURS / STEP)
    points = [(across.at(n * STEP), up.at(level(one.kinetics, n * STEP))) for n in range(count + 1)]
    if not strong:
        return [track(points, "chart-curve")]
    at = peak_hours(one.kinetics)
    peak = level(one.kinetics, at)
    x, y = across.at(at), up.at(peak)
    return [
        track(points, "chart-curve-strong"),
        Line(x, y, x, up.at(0), "chart-edge-review"),
        Words(WIDTH - RIGHT + 8, TOP + 14, one.name, "chart-now", "start"),
        Words(WIDTH - RIGHT + 8, TOP + 30, f"peak {peak:.1f} ng/mL", "chart-label", "start"),
        Words(WIDTH - RIGHT + 8, TOP + 46, f"after {at:.1f} h", "chart-label", "start"),
    ]
