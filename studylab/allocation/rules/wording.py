"""Keeping arms out of free text: batch numbers, places of storage and reasons are readable to others."""

import re
from collections.abc import Iterable

from studylab.studies.rules.protocol import Arm

_MEASURES = {"mg", "g", "ml", "µg", "ug"}


def arm_words(arms: Iterable[Arm]) -> frozenset[str]:
    """Return the words that would tell arms apart: keys and the words of names, without numbers and units."""
    texts = [text for arm in arms for text in (arm.key, arm.name)]
    words = {word for text in texts for word in _words(text)}
    return frozenset(w for w in words if w not in _MEASURES and not w.isdigit() and len(w) > 1)


def names_an_arm(text: str, arms: Iterable[Arm]) -> str | None:
    """Return the first word of `text` that belongs to an arm, or None."""
    telling = arm_words(arms)
    return next((word for word in _words(text) if word in telling), None)


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())
