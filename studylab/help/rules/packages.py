"""The packages this program is built on, read from `requirements.txt`. Pure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

_PIN = re.compile(r"^(?P<name>[A-Za-z0-9._-]+)(?:\[[^\]]*\])?==(?P<version>[^\s;\\]+)")
_LICENCE_WORD = re.compile(r"^[^\n]{1,60}$")


@dataclass(frozen=True, slots=True)
class Pin:
    """One package, its pinned version, and why it is there."""

    name: str
    version: str
    why: str


def pins(text: str) -> list[Pin]:
    """Return every package of a requirements file, each with the comment above it or who needs it."""
    found: list[Pin] = []
    above = ""
    lines = text.splitlines()
    for place, line in enumerate(lines):
        if pin := _PIN.match(line):
            why = above or _needed_by(lines[place + 1 :])
            found.append(Pin(pin["name"], pin["version"], why))
        above = f"{above} {line[2:]}".strip() if line.startswith("# ") else ""
    return found


def _needed_by(rest: Sequence[str]) -> str:
    """Return "needed by x, y" from the lines below a pin."""
    names: list[str] = []
    for line in rest:
        if not line.startswith("    "):
            break
        said = line.strip().removeprefix("# via").removeprefix("#").strip()
        if line.strip().startswith("#") and said:
            names.append(said)
    return f"needed by {', '.join(names)}" if names else ""


def licence_of(expression: str, field: str, classifiers: Sequence[str]) -> str:
    """Return what a package says of its licence: the expression, else its short field, else its classifiers."""
    kinds = [
        one.rsplit("::", 1)[-1].strip()
        for one in classifiers
        if one.startswith("License ::") and not one.endswith("OSI Approved")
    ]
    vague = field.strip().casefold() in {"", "unknown", "dual license", "lgpl", "bsd"}
    short = field.strip() if _LICENCE_WORD.match(field.strip()) else ""
    if expression.strip():
        return expression.strip()
    if short and not (vague and kinds):
        return short
    return ", ".join(kinds)
