"""Medicines: finding the rule for what a person takes, by name, by code and by route.

Codes are those of the WHO ATC/DDD Index. A name is found only when it is spelled as in the catalogue, apart
from case, accents and spaces; anything else gives suggestions for a person to choose from. Product names are
found too, but they differ by country and one name covers several products: a product of a substance that is
only noted goes to a physician until somebody has read the pack and written "product (substance)".
"""

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, cast

from screening.rules.medicine_names import LONGEST_LOOKED_UP, Names, Offer, fold, key, words_of
from screening.rules.rows import WEIGHT, Disposition, one_of, strictest

FOLDER = Path(__file__).parent
ROUTES = (
    *("oral", "inhaled", "nasal", "eye", "ear", "skin", "rectal", "vaginal", "mouth", "injection"),
    "other",
)
LATELY = 2048  # names, codes and routes whose rules are remembered
_SEVERAL = re.compile(r"[+/(]")
_PRODUCT = re.compile(r"(.+?)\s*\(([^()]+)\)\s*")
READ_THE_PACK = (
    "a product name: products of one name differ. Read the active substances on the pack and write them, "
    "as in “product (substance)”"
)
ONLY_THE_GROUP = "only the group is known, so the strictest rule and the longest wait in it count: ask for the name"


@dataclass(frozen=True, slots=True)
class MedicineRow:
    """The rule for one substance, one group of codes, or one substance by another route.

    `washout_hours` is the time since the last dose that has to pass before the study dose; None when there
    is no such time, `washout` then says why. `when_prescribed` tightens the rule for a prescribed medicine.
    `checked` tells whether the interaction was read in the source, False means from memory or by inference.
    """

    rule_id: str
    name: str
    also: tuple[str, ...]
    atc: tuple[str, ...]
    key: str
    group: str
    disposition: Disposition
    washout_hours: float | None
    washout: str
    reason: str
    source: str
    checked: bool
    when_prescribed: Disposition | None = None
    routes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Catalogue:
    """All medicine rules. A route row comes before the substance row, that before the longest prefix."""

    substances: tuple[MedicineRow, ...]
    by_route: tuple[MedicineRow, ...]
    prefixes: tuple[MedicineRow, ...]
    retired: Mapping[str, str]
    products: Mapping[str, tuple[str, ...]] = field(default_factory=dict)  # by id of the rule
    watched: frozenset[str] = frozenset()  # folded words that ask for a medicine without naming one

    @cached_property
    def _names(self) -> Names[MedicineRow]:
        rows = {row.rule_id: row for row in self.substances}
        return Names(
            [(row, (row.name, *row.also)) for row in self.substances],
            [(rows[rule], name) for rule, names in self.products.items() for name in names],
            [
                (_any_of(row, self.of_group(row)), tuple(_singular_and_plural(row.name, *row.also)))
                for row in self.prefixes
            ],
        )

    @cached_property
    def _codes(self) -> dict[str, MedicineRow]:
        return {
            code: row
            for rows in (self.substances, self.by_route)  # the route row of a code wins
            for row in rows
            for code in row.atc
        }

    @cached_property
    def _routed(self) -> dict[tuple[str, str], MedicineRow]:
        """Folded substance name and route to the row for that route."""
        return {(fold(row.name), route): row for row in self.by_route for route in row.routes}

    @cached_property
    def _elsewhere(self) -> dict[tuple[str, str], MedicineRow]:
        """Id of a substance's rule and a route to the row that takes its place there."""
        routes = {route for row in self.by_route for route in row.routes}
        return {
            (row.rule_id, route): self._routed[fold(name), route]
            for row in self.substances
            for name in (*reversed(row.also), row.name)
            for route in routes
            if (fold(name), route) in self._routed
        }

    def find(self, name: str) -> MedicineRow | None:
        """Return the substance with this name, synonym or product; never a guess."""
        found = self._names.get(name)
        return found.row if found else None

    def names(self) -> tuple[str, ...]:
        """Return every name that is found, folded."""
        return tuple(self._names.known)

    def suggest(self, text: str, limit: int = 5) -> tuple[str, ...]:
        """Return up to `limit` names that look like `text`, best first; the person chooses."""
        return self._names.suggest(text, limit)

    def offers(self, text: str, limit: int = 6) -> tuple[Offer, ...]:
        """Return the suggestions for `text` with what each would be written as."""
        return tuple(self._names.offers(text, limit))

    def mentioned(self, text: str) -> tuple[tuple[str, MedicineRow], ...]:
        """Return the medicines that are named in running text, each as written in the catalogue, with its rule."""
        return tuple((known.name, known.row) for known in self._names.mentioned(text))

    def hints(self, text: str) -> tuple[str, ...]:
        """Return the words of running text that ask for a medicine without naming one, as "inhaler" does."""
        return tuple(word for word in dict.fromkeys(words_of(text)) if word in self.watched)

    def slips(self, name: str, route: str = "") -> tuple[str, ...]:
        """Return the names that may be meant by the parts of `name` that no rule is found for."""
        unknown = [part for part, row in self._parts(name, route) if row is None]
        found = (close for part in unknown for close in self._names.slips(part, 3))
        return tuple(dict.fromkeys(found))

    def by_atc(self, code: str, route: str = "") -> MedicineRow | None:
        """Return the rule for an ATC code, retired ones included; longest prefix when it has no row."""
        code = "".join(code.split()).upper()
        code = self.retired.get(code, code)
        exact = self._codes.get(code)
        if exact is not None:
            return self._other_route(exact, route)
        matching = [row for row in self.prefixes if code.startswith(row.atc[0])]
        return max(matching, key=lambda row: len(row.atc[0]), default=None)

    def of_group(self, group: MedicineRow) -> list[MedicineRow]:
        """Return the substances and routes with rules of their own whose code lies in a group."""
        return [
            row
            for rows in (self.substances, self.by_route)
            for row in rows
            if any(code.startswith(group.atc[0]) for code in row.atc)
        ]

    def by_name(self, name: str, route: str = "") -> MedicineRow | None:
        """Return the rule for a name, looking at the route first."""
        found = self._names.get(name)
        if found is None:
            return self._routed.get((key(name), route))
        row = self._other_route(found.row, route)
        return _pack_unread(row) if found.product_of and row.disposition == "note" else row

    def _other_route(self, row: MedicineRow, route: str) -> MedicineRow:
        return self._elsewhere.get((row.rule_id, route), row) if route else row

    def resolve(self, name: str, atc: str | None, route: str) -> tuple[MedicineRow | None, ...]:
        """Return every rule that applies; None stands for an active substance without a rule.

        "a + b" and "a/b" are looked up part by part unless the whole is a name, and so is "product (a + b)",
        where the product's name adds nothing when it stands for one of the substances. A code that leads to
        a rule makes unknown parts of the name acceptable, because it names the product.
        """
        return self._resolved(name, atc, route)

    @cached_property
    def _resolved(self) -> Callable[[str, str | None, str], tuple[MedicineRow | None, ...]]:
        """What was looked up lately: most people name the same few medicines."""
        return lru_cache(maxsize=LATELY)(self._resolve)

    def _resolve(self, name: str, atc: str | None, route: str) -> tuple[MedicineRow | None, ...]:
        coded = self.by_atc(atc, route) if atc else None
        named = [row for _, row in self._parts(name, route)]
        if coded is not None:
            return (coded, *(row for row in named if row is not None and row is not coded))
        return tuple(named) or (None,)

    def _parts(self, name: str, route: str) -> list[tuple[str, MedicineRow | None]]:
        """Return each part of `name` that is looked up, with the rule found for it."""
        whole = self.by_name(name, route)
        if whole is not None or not _SEVERAL.search(name):
            return [(name, whole)] if name.strip() else []
        packed = _PRODUCT.fullmatch(name[:LONGEST_LOOKED_UP])
        product, inside = packed.groups() if packed else ("", name)
        pieces = [piece for piece in re.split(r"[+/]", inside) if piece.strip()]
        parts = [(piece, self.by_name(piece, route)) for piece in pieces]
        if not product:
            return parts
        known = {row.rule_id for _, row in parts if row is not None}
        named = self.by_name(product, route)
        return parts if named is not None and named.rule_id in known else [(product, named), *parts]

    def content(self) -> dict[str, Any]:
        """Return everything the catalogue says as plain values, for hashing."""
        return {
            "substances": [asdict(row) for row in self.substances],
            "by_route": [asdict(row) for row in self.by_route],
            "prefixes": [asdict(row) for row in self.prefixes],
            "retired": dict(self.retired),
            "watched": sorted(self.watched),
            "products": {rule: list(names) for rule, names in self.products.items()},
        }


def _pack_unread(row: MedicineRow) -> MedicineRow:
    """Return the rule for a substance that somebody named by a product alone."""
    return replace(row, disposition=strictest(row.disposition, "physician"), reason=READ_THE_PACK)


def _any_of(group: MedicineRow, members: Sequence[MedicineRow]) -> MedicineRow:
    """Return the rule for a medicine of which only the group is known: the strictest and longest in it."""
    waits = [row for row in members if row.washout_hours is not None]
    longest = max(waits, key=lambda row: row.washout_hours or 0, default=group)
    return replace(
        group,
        disposition=strictest(
            "physician", group.disposition, *(row.disposition for row in members)
        ),
        washout_hours=longest.washout_hours,
        washout=longest.washout,
        reason=f"{group.reason}; {ONLY_THE_GROUP}",
    )


def _singular_and_plural(*names: str) -> dict[str, None]:
    """Return the names, each with its plural, the group's own name first."""
    forms = dict.fromkeys(names)
    known = {fold(name) for name in names}
    plurals = [name if name.endswith("s") else f"{name}s" for name in names]
    return forms | dict.fromkeys(one for one in plurals if fold(one) not in known)


def _row(data: Mapping[str, Any], rule_id: str, atc: tuple[str, ...], source: str) -> MedicineRow:
    def disposition(key: str) -> Disposition:
        return cast(Disposition, one_of(rule_id, key, data[key], tuple(WEIGHT)))

    for route in data.get("routes", ()):
        one_of(rule_id, "routes", route, ROUTES)
    hours = data.get("washout_hours")
    return MedicineRow(
        rule_id=rule_id,
        name=data["name"],
        also=tuple(data.get("also", ())),
        atc=atc,
        key=data["key"],
        group=data.get("class", data["name"]),
        disposition=disposition("disposition"),
        washout_hours=None if hours is None else float(hours),
        washout=data.get("washout", ""),
        reason=data["reason"],
        source=data.get("source", source),
        checked=bool(data.get("checked", False)),
        when_prescribed=disposition("when_prescribed") if "when_prescribed" in data else None,
        routes=tuple(data.get("routes", ())),
    )


@lru_cache(maxsize=1)
def load_catalogue() -> Catalogue:
    """Return the catalogue as shipped, read once per process."""
    rows = tomllib.loads((FOLDER / "medicines.toml").read_text(encoding="utf-8"))["medicine"]
    groups = tomllib.loads((FOLDER / "medicine_groups.toml").read_text(encoding="utf-8"))
    names = tomllib.loads((FOLDER / "medicine_names.toml").read_text(encoding="utf-8"))["names"]
    return Catalogue(
        substances=tuple(_row(r, f"M-{r['n']:03}", tuple(r["atc"]), "") for r in rows),
        by_route=tuple(
            _row(r, f"R-{r['atc'][0]}", tuple(r["atc"]), "inferred from the route")
            for r in groups["route"]
        ),
        prefixes=tuple(
            _row(r, f"P-{r['atc']}", (r["atc"],), "inferred from the class")
            for r in groups["prefix"]
        ),
        retired=groups["retired"],
        watched=frozenset(fold(word) for word in groups["watched"]),
        products={rule: tuple(known) for rule, known in names.items()},
    )
