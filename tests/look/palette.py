"""Reads the palette out of theme.css and measures contrast.

Formula: WCAG 2.2, definitions of relative luminance and contrast ratio.
"""

import re
from pathlib import Path

STATIC = Path(__file__).parents[2] / "studylab" / "static" / "studylab"
_DARK = re.compile(r"@media screen and \(prefers-color-scheme: dark\) \{\s*:root \{(.*?)\}", re.S)
_COLOUR = re.compile(r"--([a-z-]+):\s*(#[0-9a-f]{6});")


def palettes() -> dict[str, dict[str, str]]:
    """Return {"light": {name: "#rrggbb"}, "dark": the same names}."""
    text = (STATIC / "theme.css").read_text(encoding="utf-8")
    dark = _DARK.search(text)
    assert dark is not None, "theme.css has a dark palette for screens"
    light = dict(_COLOUR.findall(text[: dark.start()]))
    return {"light": light, "dark": light | dict(_COLOUR.findall(dark[1]))}


def luminance(colour: str) -> float:
    """Relative luminance of "#rrggbb", 0 to 1."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)
