"""How well a blind held: James' index (1996) over both arms, Bang's index (2004) for each arm, with intervals.

Counts are people: rows are what was said (first arm, second arm, don't know), columns what it was. James: 0 all
right, 0.5 as by chance, 1 nobody knows. Bang: 1 all right, 0 as by chance, -1 all wrong; don't-knows count as
neither. Formulas as in the help of the CRAN package BI 1.2.0, which cites the papers (read).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

Z_TWO_SIDED_95 = 1.959963984540054
_WRONG = 0.5  # weight of a wrong guess; a right one weighs 0


@dataclass(frozen=True, slots=True)
class Index:
    """An estimate with its standard error and two-sided 95 % interval."""

    value: float
    error: float

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - Z_TWO_SIDED_95 * self.error

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + Z_TWO_SIDED_95 * self.error


@dataclass(frozen=True, slots=True)
class Told:
    """Guesses of the people of one arm: how many named the first arm, the second, or did not know."""

    first: int
    second: int
    unknown: int

    @property
    def people(self) -> int:
        """How many were asked."""
        return self.first + self.second + self.unknown


def bang(told: Told, *, first: bool) -> Index | None:
    """Return Bang's index of one arm, the `first` or the second; None when nobody was asked."""
    if told.people == 0:
        return None
    right, wrong = (told.first, told.second) if first else (told.second, told.first)
    p_right, p_wrong = right / told.people, wrong / told.people
    variance = p_right * (1 - p_right) + p_wrong * (1 - p_wrong) + 2 * p_right * p_wrong
    return Index(p_right - p_wrong, sqrt(variance / told.people))


def james(first: Told, second: Told) -> Index | None:
    """Return James' index over both arms; 1 without error when nobody dared a guess, None without anybody."""
    people = first.people + second.people
    if people == 0:
        return None
    shares = [
        [first.first / people, second.first / people],
        [first.second / people, second.second / people],
    ]
    unknown = (first.unknown + second.unknown) / people
    named = 1 - unknown
    if named == 0:
        return Index(1.0, 0.0)
    return _james(shares, unknown, named, people)


def _weight(row: int, column: int) -> float:
    return 0.0 if row == column else _WRONG


def _james(shares: Sequence[Sequence[float]], unknown: float, named: float, people: int) -> Index:
    cells = [(row, column) for row in (0, 1) for column in (0, 1)]
    rows = [sum(shares[row]) for row in (0, 1)]
    columns = [shares[0][column] + shares[1][column] for column in (0, 1)]
    seen = sum(_weight(r, c) * shares[r][c] for r, c in cells) / named
    by_chance = sum(_weight(r, c) * rows[r] * columns[c] for r, c in cells)
    if by_chance == 0:  # all in one arm, all guessing it: nothing can be said beyond what was seen
        return Index((1 + unknown - named) / 2 if seen == 0 else 1.0, 0.0)
    kappa = (seen - by_chance / named**2) / (by_chance / named**2)
    value = (1 + unknown + named * kappa) / 2
    spread = 0.0
    for r, c in cells:
        edge = sum(_weight(k, c) * rows[k] + _weight(r, k) * columns[k] for k in (0, 1))
        part = named * _weight(r, c) - (1 + kappa) * edge
        spread += shares[r][c] * named**2 * part**2
    variance = (
        spread / (4 * by_chance**2)
        + unknown * named
        - named * (1 + kappa) * (unknown + named * (1 + kappa) / 4)
    ) / people
    return Index(value, sqrt(max(variance, 0.0)))
