"""What is said of a value that cannot be recorded, and reading numbers as people type them."""

import math


class ValueProblem(ValueError):
    """A value that cannot be recorded: `field` is the key of the value, `message` a sentence with the fix."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field
        self.message = message


def as_float(given: object) -> float | None:
    """Return a finite number; a decimal comma is read, since that is what many keyboards give."""
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        return None
    try:
        value = float(given.strip().replace(",", ".")) if isinstance(given, str) else float(given)
    except (ValueError, OverflowError):
        return None
    return value if math.isfinite(value) else None
