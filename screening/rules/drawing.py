"""Shapes of a drawing, in its own units; a template turns them into SVG, the style sheet colours them by `look`."""

from dataclasses import dataclass
from typing import Literal

Anchor = Literal["start", "middle", "end"]


@dataclass(frozen=True, slots=True)
class Rect:
    """A filled area."""

    x: float
    y: float
    width: float
    height: float
    look: str
    kind: Literal["rect"] = "rect"


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x1: float
    y1: float
    x2: float
    y2: float
    look: str
    kind: Literal["line"] = "line"


@dataclass(frozen=True, slots=True)
class Track:
    """A line through points, as an SVG list of "x,y"."""

    points: str
    look: str
    kind: Literal["track"] = "track"


@dataclass(frozen=True, slots=True)
class Dot:
    """A circle."""

    x: float
    y: float
    radius: float
    look: str
    kind: Literal["dot"] = "dot"


@dataclass(frozen=True, slots=True)
class Words:
    """A short text."""

    x: float
    y: float
    text: str
    look: str
    anchor: Anchor = "middle"
    kind: Literal["words"] = "words"


Shape = Rect | Line | Track | Dot | Words


@dataclass(frozen=True, slots=True)
class Drawing:
    """A whole drawing; what lies later in `shapes` lies on top."""

    width: float
    height: float
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values from `low` to `high` onto a length that begins at `start` and ends at `end`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return where a value lies, one decimal; beyond the ends it is held there."""
        held = min(max(value, self.low), self.high)
        share = (held - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)


def track(points: list[tuple[float, float]], look: str) -> Track:
    """Return a line through points."""
    return Track(" ".join(f"{x:g},{y:g}" for x, y in points), look)
