"""A drawing as an SVG file of its own: no style sheet, so that it looks the same wherever it is opened.

On the site's pages the same drawing is coloured by the style sheet; here each look carries its attributes (SVG 1.1,
presentation attributes). Colours are the light theme's.
"""

from html import escape

from screening.rules.drawing import Dot, Drawing, Line, Rect, Shape, Track, Words

INK, QUIET, EDGE, ACCENT, WARN = "#1b2430", "#55606e", "#8792a0", "#1f5f8b", "#9a5b00"
_LOOKS = {
    "flow-box": f'fill="#ffffff" stroke="{EDGE}"',
    "flow-line": f'stroke="{QUIET}" stroke-width="1.5"',
    "flow-head": f'fill="{QUIET}"',
    "flow-words": f'fill="{INK}" font-size="14"',
    "flow-strong": f'fill="{INK}" font-size="14" font-weight="600"',
    "flow-phase": f'fill="{ACCENT}" font-size="14" font-weight="600"',
    "plot-bar": f'fill="{ACCENT}"',
    "plot-out": f'fill="{WARN}"',
    "plot-window": 'fill="#e3f0e6"',
    "plot-edge": 'stroke="#2c7a41" stroke-width="1.5"',
    "plot-target": 'stroke="#2c7a41" stroke-width="1.5" stroke-dasharray="5 4"',
    "plot-grid": 'stroke="#d3dbdc"',
    "plot-axis": f'stroke="{EDGE}"',
    "plot-track": f'fill="none" stroke="{ACCENT}" stroke-width="2.5"',
    "plot-second": f'fill="none" stroke="{EDGE}" stroke-width="2.5"',
    "plot-whisker": f'stroke="{ACCENT}" stroke-width="1.5"',
    "plot-plan": f'fill="none" stroke="{QUIET}" stroke-width="1.5" stroke-dasharray="5 4"',
    "plot-band": 'fill="#cfe0ec"',
    "plot-words": f'fill="{INK}" font-size="13"',
    "plot-quiet": f'fill="{QUIET}" font-size="13"',
}


def svg_file(drawing: Drawing, *, title: str, about: str) -> str:
    """Return the text of the file. ValueError for a look that has no attributes here."""
    size = f'width="{drawing.width:g}" height="{drawing.height:g}"'
    shapes = "\n".join(_shape(shape) for shape in drawing.shapes)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width:g} {drawing.height:g}" {size} '
        'role="img" aria-labelledby="title about" font-family="sans-serif">\n'
        f'<title id="title">{escape(title)}</title>\n<desc id="about">{escape(about)}</desc>\n'
        f'<rect width="100%" height="100%" fill="#ffffff"/>\n{shapes}\n</svg>\n'
    )


def _shape(shape: Shape) -> str:
    if shape.look not in _LOOKS:
        raise ValueError(f"{shape.look!r} has no look in a file.")
    look = _LOOKS[shape.look]
    match shape:
        case Rect():
            return f'<rect x="{shape.x:g}" y="{shape.y:g}" width="{shape.width:g}" height="{shape.height:g}" {look}/>'
        case Line():
            return f'<line x1="{shape.x1:g}" y1="{shape.y1:g}" x2="{shape.x2:g}" y2="{shape.y2:g}" {look}/>'
        case Track():
            return f'<polyline points="{shape.points}" {look}/>'
        case Dot():
            return f'<circle cx="{shape.x:g}" cy="{shape.y:g}" r="{shape.radius:g}" {look}/>'
        case Words():
            at = f'x="{shape.x:g}" y="{shape.y:g}" text-anchor="{shape.anchor}"'
            return f"<text {at} {look}>{escape(shape.text)}</text>"
