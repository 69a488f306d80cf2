"""When the last visit will be: a Poisson-gamma model of who comes, beta rates of who passes and who finishes.

People come at an unknown rate with a gamma distribution (Anisimov and Fedorov, Stat Med 26 (2007) 4958; closed
forms after Gajewski, Simon and Carlson, Stat Med 27 (2008) 2328). Each one passes screening, and then finishes, with
unknown chances of their own. Arrivals of people who will finish are then again Poisson, and the time to the last one
needed is drawn many times, held up by the series that still fit into the calendar. Times are weeks.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

DRAWS = 4000
SEED = 20260101  # a fixed one: the same record gives the same forecast
LEVEL = 0.8
# Without a planned period: as if half a person had come in a tenth of a week. Chosen to weigh next to nothing.
WEAK_SHAPE, WEAK_WEEKS = 0.5, 0.1
# With one: the plan weighs like a tenth of the planned period spent watching.
PLAN_WEIGHT = 0.1
_FIRST_GUESS = (
    0.5 * 0.5
)  # of passing and of finishing, the means of the uniform rates taken before anything is known


@dataclass(frozen=True, slots=True)
class Rate:
    """A gamma distribution of people per week: mean `shape` / `weeks`."""

    shape: float
    weeks: float

    @property
    def mean(self) -> float:
        """People per week."""
        return self.shape / self.weeks


def first_rate(target: int, planned_weeks: int | None) -> Rate:
    """Return what is taken of the rate before anybody came. The plan is the target, finished, in its period."""
    if planned_weeks is None:
        return Rate(WEAK_SHAPE, WEAK_WEEKS)
    return Rate(PLAN_WEIGHT * target / _FIRST_GUESS, PLAN_WEIGHT * planned_weeks)


def learnt(rate: Rate, people: int, weeks: float) -> Rate:
    """Return the rate after `people` came in `weeks`."""
    if people < 0 or weeks < 0:
        raise ValueError("Neither people nor weeks can be fewer than none.")
    return Rate(rate.shape + people, rate.weeks + weeks)


def people_within(rate: Rate, weeks: float) -> Any:
    """Return how many come in the next `weeks`, a frozen distribution of scipy (negative binomial)."""
    from scipy.stats import nbinom  # takes half a second to load; only this page needs it

    return nbinom(rate.shape, rate.weeks / (rate.weeks + weeks))


def weeks_until(rate: Rate, people: int, share: float) -> float:
    """Return the weeks within which `people` more have come with chance `share`."""
    from scipy.stats import beta

    part = float(beta.ppf(share, people, rate.shape))
    return rate.weeks * part / (1 - part)


@dataclass(frozen=True, slots=True)
class Standing:
    """How far recruitment is. `passed` were allocated, `failed` left before that; of those with a number
    `completed` finished, `left` did not and `running` are on the way; `screening` are on the way before it.

    `unbooked` of those on the way have no series yet; booked ones end within `booked_weeks`. `delays` are weeks
    from coming to the last visit of those who finished; `free` are series that still fit in each week to come.
    """

    target: int
    rate: Rate
    passed: int
    failed: int
    completed: int
    left: int
    running: int
    screening: int
    unbooked: int
    booked_weeks: float
    delays: "Sequence[float]"
    free: "Sequence[int]"


@dataclass(frozen=True, slots=True)
class Forecast:
    """Weeks from now to the last visit: middle, and an interval that holds with chance `LEVEL`.

    `by_calendar` is the share of draws in which the calendar, not recruitment, set the date. `to_come` is how many
    more people must come, on average.
    """

    low: float
    middle: float
    high: float
    by_calendar: float
    to_come: float


def forecast(standing: Standing, *, seed: int = SEED, draws: int = DRAWS) -> Forecast | None:
    """Return the forecast; None when nothing can be said: no series fits any more and some are needed."""
    import numpy as np

    s, chance = standing, np.random.default_rng(seed)
    rate = chance.gamma(s.rate.shape, 1 / s.rate.weeks, draws)
    passing = chance.beta(1 + s.passed, 1 + s.failed, draws)
    finishing = chance.beta(1 + s.completed, 1 + s.left, draws)
    sure = chance.binomial(s.running, finishing)
    sure += chance.binomial(s.screening, passing * finishing)
    needed = np.maximum(s.target - s.completed - sure, 0)
    coming = np.zeros(draws)
    wanted = needed > 0
    coming[wanted] = chance.gamma(needed[wanted]) / (rate * passing * finishing)[wanted]
    delay = chance.choice(np.asarray(s.delays or [0.0]), draws)
    on_the_way = np.maximum(s.booked_weeks, delay if s.unbooked else 0.0)
    open_now = on_the_way if s.completed < s.target else np.zeros(draws)
    recruited = np.maximum(np.where(wanted, coming + delay, 0), open_now)
    calendar = _by_calendar(s, needed / finishing)
    if not np.isfinite(calendar).all():
        return None
    ends = np.maximum(recruited, calendar)
    low, middle, high = np.quantile(ends, ((1 - LEVEL) / 2, 0.5, (1 + LEVEL) / 2))
    return Forecast(
        float(low), float(middle), float(high), float(np.mean(calendar > recruited)),
        float(np.mean(needed / (passing * finishing))),
    )  # fmt: skip


def _by_calendar(standing: Standing, series: Any) -> Any:
    """Return the weeks within which so many new series, and those not booked yet, fit; infinite when none does."""
    import numpy as np

    fits = np.cumsum([0, *standing.free])
    wanted = np.where(series > 0, series, 0) + min(standing.unbooked, standing.target)
    found = np.searchsorted(fits, wanted, side="left").astype(float)
    beyond = wanted > fits[-1]
    if beyond.any():
        a_week = fits[-1] / max(1, len(standing.free))
        more = (wanted - fits[-1]) / a_week if a_week else np.full_like(wanted, np.inf, dtype=float)
        found = np.where(beyond, len(standing.free) + more, found)
    return np.where(wanted > 0, found, 0.0)
