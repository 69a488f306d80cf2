"""How many parts a short message has: the alphabet of seven bits, or sixteen where a sign is not in it.

3GPP TS 23.038, 6.2.1 and 6.2.1.1 (default alphabet and its extension), 3GPP TS 23.040 9.2.3.24.1 (parts of a longer
message lose six octets to their header): 160 or 153 signs, 70 or 67 sixteen-bit units. A sign that takes two units
is never cut apart.
"""

from dataclasses import dataclass

BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
EXTENDED = frozenset("\f^{}\\[~]|€")  # two units each
MOST_PARTS = 3  # house limit: each part is paid for, and long messages belong into a mail
# Signs of typography that would turn a whole message into sixteen bits, and what says the same.
_PLAIN = str.maketrans({"\u2018": "'", "\u2019": "'", "\u201c": '"', "\u201d": '"', "\u2013": "-",
                        "\u2014": "-", "\u2026": "...", "\u00a0": " ", "\u202f": " "})  # fmt: skip


@dataclass(frozen=True, slots=True)
class Size:
    """How long a short message is: its units, its parts, and whether it needs sixteen bits a sign."""

    units: int
    parts: int
    wide: bool

    @property
    def words(self) -> str:
        """For the page on which it is written."""
        parts = "1 part" if self.parts == 1 else f"{self.parts} parts"
        reason = ", sixteen bits a sign because of signs outside the basic alphabet" if self.wide else ""  # fmt: skip
        return f"{self.units} units, {parts}{reason}"


def plain_signs(text: str) -> str:
    """Return the text with typographic quotes, dashes and spaces as plain ones; letters stay as they are."""
    return text.translate(_PLAIN)


def size(text: str) -> Size:
    """Return how long `text` is as a short message."""
    wide = any(sign not in BASIC and sign not in EXTENDED for sign in text)
    costs = [_cost(sign, wide) for sign in text]
    units = sum(costs)
    alone, together = (70, 67) if wide else (160, 153)
    if units <= alone:
        return Size(units, 1, wide)
    parts, filled = 1, 0
    for cost in costs:
        if filled + cost > together:
            parts, filled = parts + 1, 0
        filled += cost
    return Size(units, parts, wide)


def _cost(sign: str, wide: bool) -> int:
    if wide:
        return 2 if ord(sign) > 0xFFFF else 1
    return 2 if sign in EXTENDED else 1
