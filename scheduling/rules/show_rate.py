"""How often people do not come, with an exact interval."""

from dataclasses import dataclass

LEVEL = 0.95
SOURCE = "Exact interval after Clopper and Pearson, Biometrika 26 (1934), pages 404 to 413, computed with scipy."


@dataclass(frozen=True, slots=True)
class ShowRate:
    """`missed` of `due` visits; `low` to `high` is the exact 95 % interval, both None when none was due."""

    missed: int
    due: int
    low: float | None
    high: float | None

    @property
    def share(self) -> float | None:
        """The share that was missed."""
        return self.missed / self.due if self.due else None


def show_rate(missed: int, due: int) -> ShowRate:
    """Return the rate of `missed` among `due` visits; ValueError when the counts cannot be."""
    if not 0 <= missed <= due:
        raise ValueError(f"{missed} of {due} visits cannot have been missed.")
    if due == 0:
        return ShowRate(0, 0, None, None)
    from scipy.stats import binomtest  # takes half a second to load; only this view needs it

    interval = binomtest(missed, due).proportion_ci(confidence_level=LEVEL, method="exact")
    return ShowRate(missed, due, float(interval.low), float(interval.high))
