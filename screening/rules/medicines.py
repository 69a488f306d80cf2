"""Judges one medicine: its rule, and the time that has to pass since its last dose."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from screening.rules.catalogue import Catalogue, MedicineRow
from screening.rules.inputs import Medicine
from screening.rules.outcome import Finding
from screening.rules.rows import Gate, strictest

UNKNOWN = "M-unknown"
NEVER_STOP = "A prescribed medicine is never stopped for the study; the prescriber decides."
LISTED = "listed with the volunteer"
NAMED = "M-named"
NOT_ON_LIST = (
    "A medicine is named in the answers and does not stand in the list: ask, and put it there."
)
ASKED_APART = frozenset({"CAFF", "NICO", "ALC"})
_TWO = tuple(f"{number:02}" for number in range(60))  # a quarter of the time that isoformat takes
NOT_LISTED = (
    "This medicine is not in the list. That does not mean that it is safe: a physician looks at it."
)


def judge_medicine(
    catalogue: Catalogue, medicine: Medicine, at: datetime, gate: Gate
) -> list[Finding]:
    """Return one finding per active substance; what the catalogue does not know goes to a physician."""
    rows = catalogue.resolve(medicine.name, medicine.atc, medicine.route)
    said = _said(medicine, at.tzinfo)
    return [
        _unknown(said) if row is None else _known(row, medicine, said, at, gate) for row in rows
    ]


def _unknown(said: str) -> Finding:
    return Finding(
        rule_id=UNKNOWN,
        concept="medicine not in the list",
        disposition="physician",
        reason=NOT_LISTED,
        source="proposal",
        said=said,
        known=LISTED,
    )


def _known(row: MedicineRow, medicine: Medicine, said: str, at: datetime, gate: Gate) -> Finding:
    disposition = row.disposition
    if medicine.prescribed and row.when_prescribed is not None:
        disposition = strictest(disposition, row.when_prescribed)
    of_group = "" if row.group == row.name else f" ({row.group})"
    reason = f"{row.name}{of_group}: {row.reason}."
    earliest = None
    if disposition != "exclude":
        earliest = _still_ahead(row, medicine.last_taken or at, at)
    if earliest is not None:
        # The time that a medicine needs is a matter of the day of the dose: there it holds. At screening it
        # gives the earliest day for a visit, and the rule of the medicine itself decides on taking part.
        if gate == "dosing_day":
            disposition = strictest(disposition, "hold")
        zone = earliest.tzname() or "UTC"
        reason += f" Needs {row.washout}: no dose before {minute(earliest)} {zone}."
        if medicine.last_taken is None:
            reason += " When it was last taken is not known, so it counts as taken now."
    if medicine.prescribed:
        reason += f" {NEVER_STOP}"
    return Finding(
        row.rule_id, row.group, disposition, reason, row.source, said, earliest, known=LISTED
    )


def named_in_words(
    catalogue: Catalogue, told: Sequence[tuple[str, str]], medicines: Sequence[Medicine]
) -> list[Finding]:
    """Return a finding for each medicine that somebody's own words name and the list does not.

    `told` are pairs of what was asked, in short, and the words. Coffee, drink and smoke are asked about by
    questions of their own.
    """
    findings: dict[str, Finding] = {}
    for asked, words in told:
        for rule_id, name in unlisted(catalogue, words, medicines).items():
            findings.setdefault(rule_id, _named(rule_id, name, asked, words))
    return list(findings.values())


def unlisted(catalogue: Catalogue, words: str, medicines: Sequence[Medicine]) -> dict[str, str]:
    """Return the medicines that running text names and the list does not: id of the rule and the name as written.

    A word that asks for a medicine without naming one, as "inhaler" does, stands for itself.
    """
    rows = (catalogue.resolve(one.name, one.atc, one.route) for one in medicines)
    listed = {row.rule_id for several in rows for row in several if row is not None}
    inhaled = any(one.route == "inhaled" for one in medicines)  # what the words may mean is listed
    found: dict[str, str] = {}
    for name, row in catalogue.mentioned(words):
        if row.rule_id not in listed and row.key not in ASKED_APART:
            found.setdefault(row.rule_id, name)
    hints = () if inhaled else catalogue.hints(words)
    return found | {word: word for word in hints}


def _named(rule_id: str, name: str, asked: str, words: str) -> Finding:
    return Finding(
        rule_id=f"{NAMED}-{rule_id}",
        concept="medicine named but not listed",
        disposition="physician",
        reason=f"{NOT_ON_LIST} {NEVER_STOP}",
        source="proposal; FDA warning letter 2017, an exclusion met between screening and dosing (read second-hand)",
        said=f"{name}, said about {asked}: {words.strip()}",
    )


@dataclass(frozen=True, slots=True)
class Washout:
    """A medicine that keeps the dose waiting until `earliest`, and in words why."""

    earliest: datetime
    why: str


def washouts(
    catalogue: Catalogue, lists: Sequence[tuple[Sequence[Medicine], datetime]], at: datetime
) -> tuple[Washout, ...]:
    """Return what still keeps the dose waiting at `at`, the longest first.

    `lists` are medicines as listed at different times, each with the moment from which one counts whose last
    dose nobody knows. A medicine that is left out of a later list was taken all the same, so every list counts.
    """
    found: dict[str, Washout] = {}
    for medicines, unknown_from in lists:
        for medicine in medicines:
            taken = medicine.last_taken or unknown_from
            for row in catalogue.resolve(medicine.name, medicine.atc, medicine.route):
                earliest = _still_ahead(row, taken, at) if row is not None else None
                if row is None or earliest is None:
                    continue
                since = f"last taken {minute(taken.astimezone(at.tzinfo))}"
                if medicine.last_taken is None:
                    since = (
                        f"last taken not known, counted from {minute(taken.astimezone(at.tzinfo))}"
                    )
                why = f"{medicine.name.strip()} ({row.name}) needs {row.washout}; {since}"
                if row.rule_id not in found or found[row.rule_id].earliest < earliest:
                    found[row.rule_id] = Washout(earliest, why)
    return tuple(sorted(found.values(), key=lambda one: one.earliest, reverse=True))


def _still_ahead(row: MedicineRow, taken: datetime, at: datetime) -> datetime | None:
    """Return the first moment for the dose, in the zone of `at`; None when there is nothing to wait for.

    Counted in elapsed time: through UTC, because a clock change would otherwise add or lose an hour.
    """
    if row.washout_hours is None:
        return None
    earliest = taken.astimezone(UTC) + timedelta(hours=row.washout_hours)
    return earliest.astimezone(at.tzinfo) if at < earliest else None


def _said(medicine: Medicine, zone: tzinfo | None) -> str:
    taken = medicine.last_taken
    if taken is not None and taken.tzinfo is not zone:
        taken = taken.astimezone(zone)
    when = "" if taken is None else f"last taken {minute(taken)}"
    name, dose = medicine.name.strip() or "(no name)", medicine.dose.strip()
    return ", ".join(filter(None, (name, dose, medicine.route, medicine.atc, when)))


def minute(at: datetime) -> str:
    """Return a moment to the minute, as "2026-03-04 09:30" on the clock that it carries."""
    return f"{at.year:04}-{_TWO[at.month]}-{_TWO[at.day]} {_TWO[at.hour]}:{_TWO[at.minute]}"
