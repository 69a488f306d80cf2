"""A chart and its table: one thing, so that no page can show the one without the other."""

from collections.abc import Sequence
from dataclasses import dataclass

from screening.rules.drawing import Drawing

Cell = str | int | float


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing (None when there is nothing to draw yet) and the figures it is made of.

    `row` says what one row of the table is and `by` which columns no two rows share, for the head of the file.
    `empty` is what is shown instead while there is nothing.
    """

    key: str
    title: str
    about: str
    drawing: Drawing | None
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    row: str
    by: str
    empty: str = ""
