"""A count among a whole, with its exact interval."""

from dataclasses import dataclass

LEVEL = 0.95
SOURCE = "Exact 95 % interval after Clopper and Pearson, Biometrika 26 (1934), pages 404 to 413, computed with scipy."


@dataclass(frozen=True, slots=True)
class Share:
    """`part` of `whole`; `low` to `high` is the exact 95 % interval, None when the whole is nought."""

    part: int
    whole: int
    low: float | None
    high: float | None

    @property
    def value(self) -> float | None:
        """The share itself."""
        return self.part / self.whole if self.whole else None

    @property
    def words(self) -> str:
        """The share and its interval in per cent, "" when there is none."""
        if not self.whole or self.low is None or self.high is None:
            return ""
        return f"{100 * self.part / self.whole:.0f} % ({100 * self.low:.0f} to {100 * self.high:.0f} %)"


def share(part: int, whole: int) -> Share:
    """Return the share; ValueError when the counts cannot be."""
    if not 0 <= part <= whole:
        raise ValueError(f"{part} of {whole} cannot be.")
    if whole == 0:
        return Share(0, 0, None, None)
    from scipy.stats import binomtest  # takes half a second to load

    found = binomtest(part, whole).proportion_ci(confidence_level=LEVEL, method="exact")
    return Share(part, whole, float(found.low), float(found.high))
