"""The palette is legible: WCAG 2.2 AA, success criteria 1.4.3 (text) and 1.4.11 (edges, focus)."""

import re

import pytest

from tests.look.palette import STATIC, contrast, palettes

GROUNDS = ("paper", "surface", "sunk")
TEXT = [
    *((text, ground) for text in ("ink", "quiet", "accent", "accent-strong", "stop", "ok") for ground in GROUNDS),
    *((state, f"{state}-soft") for state in ("ok", "wait", "warn", "stop", "accent")),
    *(("ink", f"{state}-soft") for state in ("ok", "wait", "warn", "stop", "accent")),
    ("accent-strong", "accent-soft"),
    ("warn", "surface"),
    ("warn", "paper"),
    ("accent-ink", "accent"),
    ("accent-ink", "accent-strong"),
    ("stop-ink", "stop-fill"),
    ("stop-ink", "stop-fill-strong"),
]  # fmt: skip
EDGES = [
    ("edge", "surface"),
    ("edge", "paper"),
    ("accent", "paper"),
    ("accent", "surface"),
    ("stop", "surface"),
]


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        # W3C, Understanding WCAG 2.2 SC 1.4.3: #767676 on white is the lightest grey that passes (4.54:1).
        ("#767676", "#ffffff", 4.54),
        ("#777777", "#ffffff", 4.48),
        ("#000000", "#ffffff", 21.0),
        ("#ffffff", "#ffffff", 1.0),
    ],
)
def test_contrast_agrees_with_published_ratios(one: str, other: str, ratio: float) -> None:
    assert contrast(one, other) == pytest.approx(ratio, abs=0.005)
    assert contrast(other, one) == contrast(one, other)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_legible(scheme: str) -> None:
    colours = palettes()[scheme]
    low = {
        f"{text} on {ground}": round(contrast(colours[text], colours[ground]), 2)
        for text, ground in TEXT
        if contrast(colours[text], colours[ground]) < 4.5
    }
    assert low == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_edges_and_focus_are_visible(scheme: str) -> None:
    colours = palettes()[scheme]
    low = {
        f"{edge} on {ground}": round(contrast(colours[edge], colours[ground]), 2)
        for edge, ground in EDGES
        if contrast(colours[edge], colours[ground]) < 3
    }
    assert low == {}


def test_dark_changes_every_colour() -> None:
    both = palettes()
    same = [name for name, colour in both["light"].items() if both["dark"][name] == colour]
    assert same == []


def test_no_stylesheet_has_colours_of_its_own() -> None:
    """Else the measurements above would not cover them. Pictures inside a sheet use palette colours."""
    known = {colour[1:] for palette in palettes().values() for colour in palette.values()}
    for sheet in STATIC.glob("*.css"):
        if sheet.name == "theme.css":
            continue
        text = sheet.read_text(encoding="utf-8")
        assert set(re.findall(r"%23([0-9a-f]{6})", text)) <= known, sheet.name
        text = re.sub(r'url\("data:[^"]*"\)', "", text)
        own = re.findall(r"#[0-9a-fA-F]{3,8}\b|\b(?:rgba?|hsla?|oklch)\([^)]*\)", text)
        assert own == [], f"{sheet.name}: take a colour from theme.css"
