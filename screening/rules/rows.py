"""One row of the screening table: a question or a measured value, and what its answers lead to."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, cast

from studylab.errors import Refused

Disposition = Literal["exclude", "hold", "physician", "note"]
Gate = Literal["screening", "ahead", "dosing_day"]  # ahead: in the days before a dosing visit
Kind = Literal["yes_no", "number", "hours_ago", "date", "measured"]
Comparison = Literal["below", "at_least", "above"]

# Strictest wins: exclude before hold before physician before note.
WEIGHT: dict[str, int] = {"exclude": 4, "hold": 3, "physician": 2, "note": 1}
GATES = ("screening", "ahead", "dosing_day")
KINDS = ("yes_no", "number", "hours_ago", "date", "measured")
COMPARISONS = ("below", "at_least", "above")
OTHER = {"yes": "no", "no": "yes"}
TOLD, MEASURED = "told by the volunteer", "measured here"  # how a value is known


class TableError(Refused):
    """The screening table, or what a study adds to it, is not usable; the message names row and fix."""


def strictest(*dispositions: Disposition) -> Disposition:
    """Return the disposition with the greatest weight; at least one is needed."""
    return max(dispositions, key=WEIGHT.__getitem__)


@dataclass(frozen=True, slots=True)
class Threshold:
    """A value that is `comparison` the protocol's number called `number` leads to `disposition`."""

    comparison: Comparison
    number: str
    disposition: Disposition


@dataclass(frozen=True, slots=True)
class QuestionRow:
    """One question or measured value.

    `flag_on` is the answer to a yes/no question that leads to `disposition`; `not_sure` is where "not sure"
    leads. `asked_if` is the id of a yes/no question: this one is asked only after "yes" or "not sure" there.
    `known` says how the value is known. `label` names the labels that list the condition as a contraindication. `urgent` asks for contact on the
    same day. `minimum` and `maximum` bound a number, hours, or the days between a date and now.
    """

    id: str
    topic: str
    text: str
    kind: Kind
    unit: str
    when: tuple[Gate, ...]
    flag_on: str
    disposition: Disposition | None
    not_sure: Disposition
    thresholds: tuple[Threshold, ...]
    asked_if: str
    detail: str
    concept: str
    reason: str
    source: str
    known: str = TOLD
    label: tuple[str, ...] = ()
    urgent: bool = False
    minimum: float = 0.0
    maximum: float = 0.0

    @property
    def quiet(self) -> str:
        """The answer that leads to nothing; "" when every answer has to be looked at."""
        return OTHER[self.flag_on] if self.kind == "yes_no" else ""


_TEXTS = ("id", "text", "concept", "reason", "source")
_KNOWN = {
    *_TEXTS,
    *("kind", "unit", "when", "flag_on", "disposition", "not_sure", "tests", "asked_if", "detail"),
    *("known", "label", "urgent", "minimum", "maximum"),
}


def read_row(data: Mapping[str, Any], topic: str) -> QuestionRow:
    """Return the row that one TOML table of topic `topic` describes; raises TableError naming its id and key."""
    name = str(data.get("id", "a question without id"))
    unknown = sorted(set(data) - _KNOWN)
    if unknown:
        raise TableError(f"{topic}: {name} has an unknown key {unknown[0]}; remove or correct it.")
    for key in _TEXTS:
        if not isinstance(data.get(key), str) or not data[key].strip():
            raise TableError(f"{topic}: {name} has no {key}; write it.")
    kind = one_of(name, "kind", data.get("kind", "yes_no"), KINDS)
    when = tuple(one_of(name, "when", gate, GATES) for gate in data.get("when", ()))
    if not when:
        raise TableError(f"{name}: `when` is empty; name the gates at which it is asked.")
    row = QuestionRow(
        id=data["id"],
        topic=topic,
        text=data["text"],
        kind=cast(Kind, kind),
        unit=data.get("unit", ""),
        when=cast(tuple[Gate, ...], when),
        flag_on=one_of(name, "flag_on", data.get("flag_on", "yes"), ("yes", "no")),
        disposition=_disposition(name, data["disposition"]) if "disposition" in data else None,
        not_sure=_disposition(name, data.get("not_sure", "physician")),
        thresholds=tuple(_threshold(name, test) for test in data.get("tests", ())),
        asked_if=data.get("asked_if", ""),
        detail=data.get("detail", ""),
        concept=data["concept"],
        reason=data["reason"],
        source=data["source"],
        known=data.get("known", MEASURED if kind == "measured" else TOLD),
        label=tuple(data.get("label", ())),
        urgent=bool(data.get("urgent", False)),
        minimum=float(data.get("minimum", 0)),
        maximum=float(data.get("maximum", 0)),
    )
    _check(row)
    return row


def one_of(name: str, key: str, value: Any, allowed: tuple[str, ...]) -> str:
    """Return `value` when it is among `allowed`; raises TableError naming row and key."""
    if value not in allowed:
        raise TableError(f"{name}: {key} is {value!r}; use one of {', '.join(allowed)}.")
    return cast(str, value)


def _disposition(name: str, value: Any) -> Disposition:
    return cast(Disposition, one_of(name, "disposition", value, tuple(WEIGHT)))


def _threshold(name: str, data: Mapping[str, Any]) -> Threshold:
    if set(data) != {"is", "number", "disposition"}:
        raise TableError(f"{name}: a test needs exactly `is`, `number` and `disposition`.")
    return Threshold(
        comparison=cast(Comparison, one_of(name, "is", data["is"], COMPARISONS)),
        number=str(data["number"]),
        disposition=_disposition(name, data["disposition"]),
    )


def _check(row: QuestionRow) -> None:
    """Refuse a row whose answers could lead nowhere or whose number has no bounds."""
    if row.kind == "yes_no":
        if row.disposition is None or row.thresholds:
            raise TableError(f"{row.id}: a yes/no question needs `disposition` and no `tests`.")
    elif row.kind != "measured":
        if row.disposition is not None or not row.thresholds:
            raise TableError(f"{row.id}: a question for a value needs `tests`, not `disposition`.")
        if row.maximum <= row.minimum:
            raise TableError(f"{row.id}: give `minimum` and a larger `maximum`.")
