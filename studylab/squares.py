"""QR symbols (ISO/IEC 18004) as pictures: inline for labels and cards, as an address for what a camera reads."""

import io

import segno
from django.utils.safestring import SafeString, mark_safe


def qr_square(text: str, *, scale: int = 3) -> SafeString:
    """Return a QR symbol of `text` as an inline SVG element without style attributes."""
    out = io.BytesIO()
    symbol = segno.make(text, micro=False, error="m")
    symbol.save(
        out, kind="svg", scale=scale, border=4, dark="#000", light="#fff", xmldecl=False, svgclass="square",
        lineclass=None, title=f"Code {text}",
    )  # fmt: skip
    return mark_safe(out.getvalue().decode())  # noqa: S308 - drawn here, and segno escapes the title


def qr_picture(text: str) -> str:
    """Return a QR symbol of `text` as a data address for an image, dark on light whatever the page's colours."""
    symbol = segno.make(text, micro=False, error="m")
    return symbol.svg_data_uri(scale=6, border=4, dark="#000", light="#fff")
