"""Stopping rules: does what came after the doses so far pause dosing for everybody?"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from studylab.studies.rules.safety import StoppingRule


@dataclass(frozen=True, slots=True)
class Mark:
    """One event or hold after a dose: whose (any key of a person), and what it is. `id` names its row."""

    id: str
    person: int
    term: str = ""
    grade: int = 0
    serious: bool = False
    hold: str = ""


@dataclass(frozen=True, slots=True)
class Tripped:
    """A rule that asks for a pause, with everything that counted, in the order of the doses."""

    rule: StoppingRule
    people: tuple[int, ...]
    marks: tuple[str, ...]


def tripped(
    rules: Iterable[StoppingRule],
    dosed: Sequence[int],
    marks: Sequence[Mark],
    looked_at: Mapping[str, frozenset[str]],
) -> list[Tripped]:
    """Return the rules that pause dosing now. `dosed` are people in the order of their doses.

    `looked_at` names, by rule, the marks over which a pause was already decided: the same facts do not pause twice,
    together with a new one they do.
    """
    place = {person: position for position, person in enumerate(dosed)}
    found = []
    for rule in rules:
        hits = [m for m in marks if m.person in place and counts(rule, m)]
        chosen = _crowd(rule, sorted(hits, key=lambda m: place[m.person]), place, looked_at.get(rule.key, frozenset()))  # fmt: skip
        if chosen:
            people = tuple(dict.fromkeys(m.person for m in chosen))
            found.append(Tripped(rule, people, tuple(m.id for m in chosen)))
    return found


def counts(rule: StoppingRule, mark: Mark) -> bool:
    """Whether a mark affects its person in the sense of a rule."""
    if mark.hold:
        return mark.hold in rule.holds
    named = mark.term.casefold() in {term.casefold() for term in rule.terms}
    graded = rule.grade_from is not None and mark.grade >= rule.grade_from
    return named or graded or (rule.serious and mark.serious)


def _crowd(
    rule: StoppingRule, hits: list[Mark], place: Mapping[int, int], known: frozenset[str]
) -> list[Mark]:
    """Return the marks of the first `of_last` people in a row who are enough, with something new among them."""
    for first in hits:
        start = place[first.person]
        near = [m for m in hits if start <= place[m.person] < start + rule.of_last]
        if len({m.person for m in near}) >= rule.people and any(m.id not in known for m in near):
            return near
    return []
