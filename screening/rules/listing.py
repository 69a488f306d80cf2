"""The whole table as a list to read and to search: every question, value, medicine and group with what it leads to."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from screening.rules.answers import shown
from screening.rules.catalogue import ROUTES, Catalogue, MedicineRow
from screening.rules.medicine_names import fold
from screening.rules.rows import Disposition, QuestionRow, Threshold
from screening.rules.table import RuleTable

Sort = Literal["question", "value", "medicine", "route", "group"]
SORTS: dict[Sort, str] = {
    "question": "Questions", "value": "Measured values", "medicine": "Medicines",
    "route": "Medicines by another route", "group": "Groups of medicines",
}  # fmt: skip
LEADS_TO: dict[Disposition, str] = {
    "exclude": "excludes", "hold": "holds", "physician": "physician decides", "note": "note",
}  # fmt: skip
READ, MEMORY, PROPOSED = "read in the source", "from memory", "proposed or inferred"
SECOND_HAND = "read second-hand"
PARTLY = "partly read in the source, partly proposed"
_TESTS = {"below": "below {}", "at_least": "{} or more", "above": "above {}"}


@dataclass(frozen=True, slots=True)
class Lead:
    """One answer or value, in words, and what it leads to."""

    when: str
    disposition: Disposition


@dataclass(frozen=True, slots=True)
class Entry:
    """One rule. `text` is the question or the name, `more` codes, other names and the wait after a last dose.

    `study` says in words what the study document added or tightened, "" where the house's rule stands.
    """

    rule_id: str
    sort: Sort
    text: str
    more: tuple[str, ...]
    leads: tuple[Lead, ...]
    reason: str
    source: str
    known: str
    label: tuple[str, ...] = ()
    study: str = ""

    @property
    def dispositions(self) -> frozenset[str]:
        """Everything that the rule can lead to."""
        return frozenset(lead.disposition for lead in self.leads)


def entries(table: RuleTable, house: RuleTable, numbers: Mapping[str, float]) -> list[Entry]:
    """Return every rule of a study's table, in the order of asking, then medicines, routes and groups.

    `house` is the table that the study document added to; `numbers` are the numbers that the protocol sets.
    """
    known = {row.id: row for row in house.rows}
    catalogue = table.catalogue
    return [
        *(_question(row, known.get(row.id), numbers) for row in table.rows),
        *(_medicine(row, "medicine", ()) for row in catalogue.substances),
        *(_medicine(row, "route", _routes(row)) for row in catalogue.by_route),
        *(_group(row, catalogue) for row in catalogue.prefixes),
    ]


def search(
    rules: Iterable[Entry], text: str = "", sort: str = "", disposition: str = ""
) -> list[Entry]:
    """Return the rules that hold every word of `text`, are of a sort and can lead to a disposition; "" is any."""
    words = fold(text).split()
    return [
        rule
        for rule in rules
        if (not sort or rule.sort == sort)
        and (not disposition or disposition in rule.dispositions)
        and (not words or _holds(rule, words))
    ]


def how_known(source: str, *, read: bool | None = None) -> str:
    """Return whether a rule was read in its source, is from memory, or was proposed, from what its source says."""
    if read is None and "(read)" in source:
        return PARTLY if "proposal" in source or "from memory" in source else READ
    if read:
        return READ
    if "second-hand" in source:
        return SECOND_HAND
    return MEMORY if "from memory" in source else PROPOSED


def _holds(rule: Entry, words: list[str]) -> bool:
    said = (rule.rule_id, rule.text, *rule.more, rule.reason, rule.source, *rule.label, rule.study)
    whole = fold(" ".join(said))
    return all(word in whole for word in words)


def _question(row: QuestionRow, house: QuestionRow | None, numbers: Mapping[str, float]) -> Entry:
    return Entry(
        rule_id=row.id,
        sort="value" if row.kind == "measured" else "question",
        text=row.text,
        more=(row.concept, *([f"asked after {row.asked_if}"] if row.asked_if else ())),
        leads=_leads(row, numbers),
        reason=row.reason,
        source=row.source,
        known=how_known(row.source),
        label=row.label,
        study=_by_study(row, house),
    )


def _leads(row: QuestionRow, numbers: Mapping[str, float]) -> tuple[Lead, ...]:
    found = [Lead(_limit(test, row.unit, numbers), test.disposition) for test in row.thresholds]
    if row.disposition is not None:
        found.append(Lead(row.flag_on, row.disposition))
    if row.kind != "measured":
        found.append(Lead("not sure", row.not_sure))
    return tuple(found)


def _limit(test: Threshold, unit: str, numbers: Mapping[str, float]) -> str:
    limit = numbers.get(test.number)
    value = (
        f"{test.number}, which is not set" if limit is None else f"{shown(limit)} {unit}".strip()
    )
    return _TESTS[test.comparison].format(value)


def _by_study(row: QuestionRow, house: QuestionRow | None) -> str:
    if house is None:
        return "Added by the study document."
    if row == house:
        return ""
    parts = []
    if row.disposition != house.disposition:
        parts.append(f"the house’s rule leads to “{house.disposition}”")
    if row.when != house.when:
        parts.append("asked at further moments")
    return f"Tightened by the study document: {'; '.join(parts) or 'reason and source'}."


def _medicine(row: MedicineRow, sort: Sort, more: tuple[str, ...]) -> Entry:
    leads = [Lead("taken", row.disposition)]
    if row.when_prescribed is not None:
        leads.append(Lead("prescribed", row.when_prescribed))
    names = (", ".join(row.also),) if row.also else ()
    wait = (f"time since the last dose: {row.washout}",) if row.washout else ()
    return Entry(
        rule_id=row.rule_id,
        sort=sort,
        text=row.name,
        more=(*((row.group,) if row.group != row.name else ()), *names, *more, ", ".join(row.atc), *wait),
        leads=tuple(leads),
        reason=row.reason,
        source=row.source,
        known=how_known(row.source, read=row.checked),
    )  # fmt: skip


def _routes(row: MedicineRow) -> tuple[str, ...]:
    return (", ".join(route for route in ROUTES if route in row.routes),) if row.routes else ()


def _group(row: MedicineRow, catalogue: Catalogue) -> Entry:
    entry = _medicine(row, "group", ("every code that begins with",))
    named = catalogue.by_name(row.name)
    if named is None:
        return entry
    wait = f", which waits {named.washout}" if named.washout else ""
    leads = (
        Lead("a code without a rule of its own", row.disposition),
        Lead(f"only the group known{wait}", named.disposition),
    )
    return Entry(
        entry.rule_id, entry.sort, entry.text, entry.more, leads, entry.reason, entry.source, entry.known
    )  # fmt: skip
