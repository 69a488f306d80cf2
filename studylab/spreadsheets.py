"""CSV text that opens in a spreadsheet as what it says, and runs nothing there."""

import csv
import io
from collections.abc import Iterable

# What spreadsheets take for the start of a formula, the wide forms of other keyboards among them.
_RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
_CONTROL = dict.fromkeys(code for code in range(32) if chr(code) not in "\t\n\r")


def safe_cell(value: object) -> str:
    """Return a cell that no spreadsheet takes for a formula. A number stays one, also below nought."""
    if isinstance(value, int | float):
        return str(value)
    text = str(value).translate(_CONTROL)
    return f"'{text}" if text.lstrip(" ").startswith(_RISKY) else text


def csv_line(cells: Iterable[object]) -> str:
    """Return one row of CSV (RFC 4180) with its line end, every cell safe."""
    buffer = io.StringIO()
    csv.writer(buffer, lineterminator="\r\n").writerow([safe_cell(cell) for cell in cells])
    return buffer.getvalue()
