"""People allocated and finished over time, the target, the plan, and when the last visit is expected."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from screening.rules.drawing import Drawing, Line, Rect, Scale, Shape, Track, Words, track

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BASE = 760.0, 340.0, 48.0, 20.0, 34.0, 292.0
LINES = 5  # at most, beside the people


@dataclass(frozen=True, slots=True)
class Accrual:
    """Weeks since recruitment began: when people were allocated and finished, now, and what is expected.

    `ends` are low, middle and high of the forecast. `ticks` are weeks with the day that they are.
    """

    allocated: Sequence[float]
    finished: Sequence[float]
    now: float
    target: int
    planned: float | None
    ends: tuple[float, float, float] | None
    ticks: Sequence[tuple[float, str]]

    @property
    def last(self) -> float:
        """The end of the time shown."""
        return max(self.now, 1.0, self.planned or 0.0, self.ends[2] if self.ends else 0.0)


def drawn(one: Accrual) -> Drawing:
    """Return the drawing."""
    most = max(one.target, len(one.allocated), 1)
    across = Scale(0, one.last, LEFT, WIDTH - RIGHT)
    up = Scale(0, most, BASE, TOP)
    shapes: list[Shape] = []
    if one.ends:
        low, high = across.at(one.ends[0]), across.at(one.ends[2])
        shapes.append(Rect(low, TOP, max(high - low, 2), BASE - TOP, "plot-band"))
    step = max(1, ceil(most / LINES / 5) * 5 if most > LINES else 1)
    for people in range(0, most + 1, step):
        y = up.at(people)
        shapes += [Line(LEFT, y, WIDTH - RIGHT, y, "plot-grid"), Words(LEFT - 8, y + 4, str(people), "plot-quiet", "end")]  # fmt: skip
    for week, day in one.ticks:
        shapes.append(Words(across.at(week), BASE + 20, day, "plot-quiet"))
    shapes.append(Line(LEFT, up.at(one.target), WIDTH - RIGHT, up.at(one.target), "plot-target"))
    shapes.append(Words(LEFT + 4, up.at(one.target) - 6, f"target {one.target}", "plot-words", "start"))  # fmt: skip
    if one.planned:
        shapes.append(track([(across.at(0), up.at(0)), (across.at(one.planned), up.at(one.target))], "plot-plan"))  # fmt: skip
    for weeks, look in ((one.allocated, "plot-second"), (one.finished, "plot-track")):
        shapes.append(_steps(weeks, one.now, across, up, look))
    if one.ends:
        middle = across.at(one.ends[1])
        shapes += [Line(middle, TOP, middle, BASE, "plot-edge"), _label(middle, "last visit")]
    shapes.append(_label(across.at(one.now), "today"))
    return Drawing(WIDTH, HEIGHT, tuple(shapes))


def _label(x: float, text: str) -> Words:
    anchor = "end" if x > WIDTH - 90 else "start" if x < LEFT + 40 else "middle"
    return Words(x, BASE + 40, text, "plot-words", anchor)  # type: ignore[arg-type]


def _steps(weeks: Sequence[float], now: float, across: Scale, up: Scale, look: str) -> Track:
    points = [(across.at(0), up.at(0))]
    for people, week in enumerate(sorted(weeks), start=1):
        x = across.at(week)
        points += [(x, up.at(people - 1)), (x, up.at(people))]
    points.append((across.at(now), up.at(len(weeks))))
    return track(points, look)
