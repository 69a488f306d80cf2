"""What an assessment looks at, as frozen values, and the digest that a sign-off is bound to."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from typing import Any, NamedTuple

from screening.rules.bands import PersonalLimits
from screening.rules.vitals import VitalDecision


class Answer(NamedTuple):
    """One answer: "yes", "no" or "not_sure", a number in the question's unit, or a day as "2026-03-02".

    None means not answered. `detail` is the person's own words.
    """

    value: str | float | None
    detail: str = ""


_json = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode


@dataclass(frozen=True, slots=True)
class Medicine:
    """One medicine as given: `name` in the person's words, `route` one of `catalogue.ROUTES` or "".

    `last_taken` carries a time zone; None means not known and counts as taken just now. `prescriber` says who
    prescribed it, in words.
    """

    name: str
    atc: str | None = None
    route: str = ""
    last_taken: datetime | None = None
    prescribed: bool = False
    dose: str = ""
    prescriber: str = ""


@dataclass(frozen=True, slots=True)
class Person:
    """Age in years, height in cm, weight in kg; None means not known."""

    age_years: float | None
    height_cm: float | None
    weight_kg: float | None


def _plain(value: Any) -> Any:
    """Return `value` so that equal inputs give equal JSON: numbers as floats, instants in UTC."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, int | float):
        return repr(float(value))
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat()
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value]


def fields_of(value: Any) -> dict[str, Any]:
    """Return a frozen value's fields by name. Many times as fast as `asdict`, which copies deeply."""
    return {name: getattr(value, name) for name in value.__slots__}


def inputs_digest(
    *,
    answers: Mapping[str, Answer],
    medicines: Sequence[Medicine],
    no_medicines: bool,
    vitals: VitalDecision | None,
    person: Person,
    table_hash: str,
    protocol_hash: str,
    personal: PersonalLimits | None = None,
    measured: Mapping[str, Any] | None = None,
) -> str:
    """Return the SHA-256 (64 hexadecimal characters) of everything assessed, to bind a signature to it.

    The order of answers and of medicines does not count; an unanswered question and one that is left out
    are the same. The person's age is part of it: pass the age that was signed, not a newer one.
    `measured` is plain JSON: all sets of readings and the checks besides them.
    """
    rest = {
        "no_medicines": no_medicines,
        "vitals": None if vitals is None else fields_of(vitals),
        "person": fields_of(person),
        "personal": None if personal is None else fields_of(personal),
        "measured": measured,
        "table": table_hash,
        "protocol": protocol_hash,
    }
    content = {
        "answers": {
            key: {"value": _plain(answer.value), "detail": answer.detail}
            for key, answer in answers.items()
            if answer.value is not None
        },
        "medicines": sorted(_json(_plain(fields_of(medicine))) for medicine in medicines),
        **_plain(rest),
    }
    return sha256(_json(content).encode()).hexdigest()
