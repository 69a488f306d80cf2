"""What one assessment says that an earlier one did not. Both as they are stored: lists of plain mappings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from screening.rules.rows import WEIGHT

What = Literal["new", "gone", "stricter", "milder", "reworded"]
Stored = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class FindingChange:
    """One finding that came, went, or weighs or reads differently. `before` and `after` are what was said."""

    what: What
    concept: str
    before: str = ""
    after: str = ""
    weight_before: str = ""
    weight_after: str = ""


def finding_changes(before: Sequence[Stored], after: Sequence[Stored]) -> list[FindingChange]:
    """Return every difference between two lists of findings, those of the later one first and in its order.

    Findings of one rule are paired by what they fired on; what is left over is paired in order, so that a
    value that moved reads as one change and not as one gone and one new.
    """
    left = list(before)
    pairs: list[tuple[Stored | None, Stored]] = []
    for found in after:
        pairs.append((_take(left, found, same_words=True), found))
    changes = []
    for old, new in pairs:
        earlier = old if old is not None else _take(left, new, same_words=False)
        change = _changed(earlier, new)
        if change is not None:
            changes.append(change)
    return changes + [_gone(old) for old in left]


def _take(left: list[Stored], found: Stored, *, same_words: bool) -> Stored | None:
    for old in left:
        if old["rule_id"] == found["rule_id"] and (not same_words or old["said"] == found["said"]):
            left.remove(old)
            return old
    return None


def _changed(old: Stored | None, new: Stored) -> FindingChange | None:
    if old is None:
        return FindingChange(
            "new", new["concept"], after=new["said"], weight_after=new["disposition"]
        )
    weights = WEIGHT[old["disposition"]], WEIGHT[new["disposition"]]
    if weights[0] == weights[1] and old["said"] == new["said"]:
        return None
    what: What = "reworded"
    if weights[0] != weights[1]:
        what = "stricter" if weights[1] > weights[0] else "milder"
    return FindingChange(
        what, new["concept"], old["said"], new["said"], old["disposition"], new["disposition"]
    )


def _gone(old: Stored) -> FindingChange:
    return FindingChange(
        "gone", old["concept"], before=old["said"], weight_before=old["disposition"]
    )


def gaps_closed(before: Sequence[Stored], after: Sequence[Stored]) -> list[Stored]:
    """Return what was missing and no longer is."""
    open_now = {gap["rule_id"] for gap in after}
    return [gap for gap in before if gap["rule_id"] not in open_now]


def gaps_opened(before: Sequence[Stored], after: Sequence[Stored]) -> list[Stored]:
    """Return what is missing now and was not before."""
    return gaps_closed(after, before)


def deciding(outcome: str, findings: Sequence[Stored]) -> list[Stored]:
    """Return the findings that made the outcome: those of its weight. None for clear and for cannot decide."""
    weight = {"exclude": "exclude", "hold": "hold", "physician": "physician"}.get(outcome)
    return [found for found in findings if found["disposition"] == weight]
