"""Which share of a population a study's limits would let through, rule by rule and all together."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from screening.rules.answers import reached
from screening.rules.bands import judge
from screening.rules.rows import Threshold
from screening.rules.table import RuleTable
from studylab.studies.rules.limits import Limits, VitalBands

MEASURES = ("systolic", "diastolic", "pulse")
WORDS = {"systolic": "Systolic pressure", "diastolic": "Diastolic pressure", "pulse": "Pulse"}


@dataclass(frozen=True, slots=True)
class Measured:
    """Somebody of a survey: completed years, kg/m2, kg, and the decision values in mmHg and beats per minute."""

    age_years: float
    bmi: float | None
    weight_kg: float | None
    systolic: float
    diastolic: float
    pulse: float


@dataclass(frozen=True, slots=True)
class RuleShare:
    """One rule: how many people pass, go to a physician and are outside, and how many it alone takes out."""

    name: str
    passes: int
    physician: int
    outside: int
    alone: int


@dataclass(frozen=True, slots=True)
class Shares:
    """All rules over `people`. `outside` fail at least one rule; of the others `passes` pass every one."""

    people: int
    rules: tuple[RuleShare, ...]
    passes: int
    physician: int
    outside: int

    @property
    def removes_most(self) -> RuleShare | None:
        """The rule that takes the most people out; None when no rule takes out anybody."""
        worst = max(self.rules, key=lambda rule: (rule.outside, rule.alone), default=None)
        return worst if worst is not None and worst.outside else None


def shares(
    people: Sequence[Measured], limits: Limits, bands: VitalBands, table: RuleTable
) -> Shares:
    """Return the shares of `people` under the bands of a gate and the study's limits of body mass and weight.

    What a limit leads to is read from the table of rules: it excludes, or a physician decides. Somebody whose
    body mass or weight is not known is outside: missing is never a pass.
    """
    rules = _rules(limits, bands, table)
    counts: dict[str, Counter[str]] = {name: Counter() for name in rules}
    together: Counter[str] = Counter()
    for person in people:
        places = {name: rule(person) for name, rule in rules.items()}
        for name, place in places.items():
            counts[name][place] += 1
        out = [name for name, place in places.items() if place == "outside"]
        if len(out) == 1:
            counts[out[0]]["alone"] += 1
        review = "review" in places.values()
        together["outside" if out else "review" if review else "pass"] += 1
    return Shares(
        len(people),
        tuple(
            RuleShare(name, c["pass"], c["review"], c["outside"], c["alone"])
            for name, c in counts.items()
        ),
        together["pass"],
        together["review"],
        together["outside"],
    )


def _rules(
    limits: Limits, bands: VitalBands, table: RuleTable
) -> dict[str, Callable[[Measured], str]]:
    def vital(measure: str) -> Callable[[Measured], str]:
        band = getattr(bands, measure)
        return lambda person: judge(band, getattr(person, measure))

    def body(rule_id: str, name: str) -> Callable[[Measured], str]:
        thresholds = table.row(rule_id).thresholds
        return lambda person: _place(thresholds, limits.numbers, getattr(person, name))

    found = {WORDS[m]: vital(m) for m in MEASURES}
    return found | {"Body mass index": body("C-44a", "bmi"), "Weight": body("C-44b", "weight_kg")}


def _place(
    thresholds: tuple[Threshold, ...], numbers: Mapping[str, float], value: float | None
) -> str:
    if value is None:
        return "outside"
    disposition, _limit, unset = reached(thresholds, numbers, value)
    if disposition == "exclude" or unset:
        return "outside"
    return "review" if disposition in ("physician", "hold") else "pass"


def of_ages(people: Sequence[Measured], low: float, high: float) -> list[Measured]:
    """Return the people whose completed years lie from `low` to `high`."""
    return [person for person in people if low <= person.age_years <= high]


def independent_share(ranges: int, each: float = 0.95) -> float:
    """Return the share that passes all of `ranges` independent ranges when each holds the share `each`."""
    return each**ranges
