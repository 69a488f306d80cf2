"""QR symbols (ISO/IEC 18004) as inline pictures, for labels and cards."""

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
