"""The values that a short form asks for, read from the text of a study document and written back into it.

Only the value itself is replaced: comments, order and every other line stay. What comes out is read again and compared.
"""

import json
import tomllib
from collections.abc import Mapping
from typing import Any

from studylab.errors import Refused
from studylab.studies.rules.places import places

Value = str | int | float
TEXTS = (
    "title", "short_title", "timezone", "country", "subdivision", "currency", "emergency_number", "phone_24h",
    "volunteer.where",
)  # fmt: skip
NUMBERS = ("target",)
HOURS = ("earliest_hours", "target_hours", "latest_hours")
_MAY_BE_NEW = {"subdivision": "country", "slug": ""}  # key -> the key after which it is written
_BY_HAND = "The form cannot change this document. Mend or change it in the text."


def known_values(text: str) -> dict[str, Value]:
    """Return what the form shows; raises Refused when the text is not TOML."""
    data = _read(text)
    found: dict[str, Value] = {}
    for path in (*TEXTS, *NUMBERS):
        value = _at(data, path)
        if isinstance(value, str | int) and not isinstance(value, bool):
            found[path] = value
    rows = data.get("spacings")
    for number, row in enumerate(rows if isinstance(rows, list) else [], 1):
        for name in HOURS:
            value = row.get(name) if isinstance(row, dict) else None
            if isinstance(value, int | float) and not isinstance(value, bool):
                found[f"spacings[{number}].{name}"] = value
    return found


def spacing_rows(text: str) -> list[tuple[int, str, str]]:
    """Return the number of each spacing with its two anchors, in which a visit is called by its place."""
    data = _read(text)
    rows, visits = data.get("spacings"), data.get("visits")
    names = {
        str(visit.get("key")): f"visit {place}"
        for place, visit in enumerate(visits if isinstance(visits, list) else [], 1)
        if isinstance(visit, dict)
    }
    return [
        (number, _by_place(row.get("start", ""), names), _by_place(row.get("end", ""), names))
        for number, row in enumerate(rows if isinstance(rows, list) else [], 1)
        if isinstance(row, dict)
    ]


def _by_place(anchor: Any, names: Mapping[str, str]) -> str:
    key, point, rest = str(anchor).partition(".")
    return names.get(key, key) + point + rest


def with_values(text: str, wanted: Mapping[str, Value]) -> str:
    """Return the text with these values in place of its own; an empty `subdivision` is taken out.

    Raises Refused, naming the key, when a value stands where it cannot be found.
    """
    expected, changed = _read(text), text
    for path, value in wanted.items():
        if _at(expected, path) == value and type(_at(expected, path)) is type(value):
            continue
        if path in _MAY_BE_NEW and value == "":
            changed = _without(changed, path)
            expected.pop(path, None)
            continue
        changed = _written(changed, path, value)
        _put(expected, path, value)
    if _read(changed) != expected:
        raise Refused(_BY_HAND)
    return changed


def without_block_sizes(text: str) -> str:
    """Return the text without its block sizes, which nobody but the pharmacist may read."""
    spot = places(text).get("allocation.block_sizes")
    if spot is None:
        return text
    start = text.rfind("\n", 0, spot.start) + 1
    end = text.find("\n", spot.end)
    return text[:start] + (text[end + 1 :] if end >= 0 else "")


def _written(text: str, path: str, value: Value) -> str:
    spots, literal = places(text), _literal(value)
    if path in spots:
        spot = spots[path]
        return text[: spot.start] + literal + text[spot.end :]
    if path not in _MAY_BE_NEW:
        raise Refused(f"{path} does not stand in the document. Add it to the text by hand.")
    after = spots.get(_MAY_BE_NEW[path])
    at = text.index("\n", after.end) + 1 if after and "\n" in text[after.end :] else 0
    return f"{text[:at]}{path} = {literal}\n{text[at:]}"


def _without(text: str, path: str) -> str:
    spot = places(text).get(path)
    if spot is None:
        return text
    lines = text.split("\n")
    del lines[spot.line - 1]
    return "\n".join(lines)


def _literal(value: Value) -> str:
    """Return a value as TOML writes it; JSON's strings are TOML's, but for one control sign."""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return repr(value)


def _read(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError):
        raise Refused(
            "The text cannot be read as TOML yet. The editor names the line to mend."
        ) from None


def _at(data: Any, path: str) -> Any:
    for name in path.replace("[", ".").replace("]", "").split("."):
        if isinstance(data, list):
            number = int(name) - 1
            data = data[number] if number < len(data) else None
        else:
            data = data.get(name) if isinstance(data, dict) else None
    return data


def _put(data: Any, path: str, value: Value) -> None:
    around, _, name = path.rpartition(".")
    target = _at(data, around) if around else data
    if not isinstance(target, dict):
        raise Refused(f"{path} does not stand in the document. Add it to the text by hand.")
    target[name] = value
