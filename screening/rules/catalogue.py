"""Medicines: finding the rule for what a person takes, by name, by code and by route.

Codes are those of the WHO ATC/DDD Index. A name is found only when it is spelled as in the catalogue, apart
from case, accents and spaces; anything else gives suggestions for a person to choose from.
"""

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, cast

from rapidfuzz import fuzz, process

from screening.rules.rows import WEIGHT, Disposition, TableError, one_of

FOLDER = Path(__file__).parent
ROUTES = (
    *("oral", "inhaled", "nasal", "eye", "ear", "skin", "rectal", "vaginal", "mouth", "injection"),
    "other",
)
LONGEST_LOOKED_UP = 120  # characters of a typed name that are compared
SUGGEST_FROM = 65.0  # similarity in per cent below which nothing is suggested


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


def fold(text: str) -> str:
    """Return `text` without case, accents, typographic quotes and extra spaces, for comparing names."""
    if text.isascii():
        return " ".join(text.lower().split())
    plain = unicodedata.normalize("NFKD", text.replace("\u2019", "'"))
    kept = "".join(char for char in plain if not unicodedata.combining(char))
    return " ".join(kept.casefold().split())


@dataclass(frozen=True, eq=False)
class Catalogue:
    """All medicine rules. A route row comes before the substance row, that before the longest prefix."""

    substances: tuple[MedicineRow, ...]
    by_route: tuple[MedicineRow, ...]
    prefixes: tuple[MedicineRow, ...]
    retired: Mapping[str, str]

    @cached_property
    def _names(self) -> dict[str, tuple[str, MedicineRow]]:
        """Folded name to the name as written and its row."""
        names: dict[str, tuple[str, MedicineRow]] = {}
        for row in self.substances:
            for name in (row.name, *row.also):
                if fold(name) in names:
                    raise TableError(f"The name {name} stands for two medicines; remove one.")
                names[fold(name)] = (name, row)
        return names

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
        """Return the substance with this name or synonym; never a guess."""
        found = self._names.get(fold(name[:LONGEST_LOOKED_UP]))
        return found[1] if found else None

    def suggest(self, text: str, limit: int = 5) -> tuple[str, ...]:
        """Return up to `limit` names that look like `text`, best first; the person chooses."""
        folded = fold(text[:LONGEST_LOOKED_UP])
        if not folded:
            return ()
        starts = sorted(name for name in self._names if name.startswith(folded))
        close = process.extract(
            folded, list(self._names), scorer=fuzz.ratio, limit=limit, score_cutoff=SUGGEST_FROM
        )
        best = dict.fromkeys((*starts, *(name for name, _, _ in close)))
        return tuple(self._names[name][0] for name in list(best)[:limit])

    def by_atc(self, code: str, route: str = "") -> MedicineRow | None:
        """Return the rule for an ATC code, retired ones included; longest prefix when it has no row."""
        code = "".join(code.split()).upper()
        code = self.retired.get(code, code)
        exact = self._codes.get(code)
        if exact is not None:
            return self._other_route(exact, route)
        matching = [row for row in self.prefixes if code.startswith(row.atc[0])]
        return max(matching, key=lambda row: len(row.atc[0]), default=None)

    def by_name(self, name: str, route: str = "") -> MedicineRow | None:
        """Return the rule for a name, looking at the route first."""
        found = self.find(name)
        if found is not None:
            return self._other_route(found, route)
        return self._routed.get((fold(name[:LONGEST_LOOKED_UP]), route))

    def _other_route(self, row: MedicineRow, route: str) -> MedicineRow:
        return self._elsewhere.get((row.rule_id, route), row) if route else row

    def resolve(self, name: str, atc: str | None, route: str) -> tuple[MedicineRow | None, ...]:
        """Return every rule that applies; None stands for an active substance without a rule.

        "a + b" and "a/b" are looked up part by part unless the whole is a name. A code that leads to a rule
        makes unknown parts of the name acceptable, because it names the product.
        """
        coded = self.by_atc(atc, route) if atc else None
        whole = self.by_name(name, route)
        if whole is not None:
            named: list[MedicineRow | None] = [whole]
        else:
            named = [self.by_name(part, route) for part in re.split(r"[+/]", name) if part.strip()]
        if coded is not None:
            return (coded, *(row for row in named if row is not None and row is not coded))
        return tuple(named) or (None,)

    def content(self) -> dict[str, Any]:
        """Return everything the catalogue says as plain values, for hashing."""
        return {
            "substances": [asdict(row) for row in self.substances],
            "by_route": [asdict(row) for row in self.by_route],
            "prefixes": [asdict(row) for row in self.prefixes],
            "retired": dict(self.retired),
        }


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
    )
