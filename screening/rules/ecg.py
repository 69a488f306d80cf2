"""ECG intervals in milliseconds: the QT corrected for the rate, and what a study asks of them.

Bazett 1920: QT / sqrt(RR); Fridericia 1920: QT / cube root of RR; RR in seconds (both from memory). The limits
come from the study document; as proposed: PR 120 to 200, QTc up to 450. NCT00549120 (read) let in PR 120 to 210; but a
PR above 200 without dropped beats is first-degree block, for which labels ask for caution, so the stricter edge stands.
"""

from dataclasses import dataclass

from screening.rules.vitals import shown
from studylab.studies.rules.limits import FIRST_DEGREE_BLOCK_OVER, EcgLimits, QtcFormula

PLAUSIBLE = {
    "pr": (60.0, 400.0),
    "qrs": (40.0, 220.0),
    "qt": (200.0, 700.0),
    "rate": (30.0, 220.0),
}
WORDS = {"pr": "PR interval", "qrs": "QRS duration", "qt": "QT interval", "rate": "Heart rate"}
UNITS = {"pr": "ms", "qrs": "ms", "qt": "ms", "rate": "beats per minute"}


@dataclass(frozen=True, slots=True)
class Intervals:
    """What the recording shows."""

    pr: float
    qrs: float
    qt: float
    rate: float


def corrected_qt(qt: float, rate: float, formula: QtcFormula) -> float:
    """Return the QT interval in ms corrected for the rate (beats per minute), unrounded.

    Raises ValueError unless both are above zero.
    """
    if not (qt > 0 and rate > 0):
        raise ValueError("QT interval and rate must be above zero.")
    seconds = 60 / rate
    return float(qt / seconds ** (1 / 2 if formula == "bazett" else 1 / 3))


def implausible(values: dict[str, float | None]) -> dict[str, str]:
    """Return, by name, what is missing or cannot be true of a grown person's ECG."""
    wrong = {}
    for name, (low, high) in PLAUSIBLE.items():
        value = values.get(name)
        if value is None:
            wrong[name] = f"{WORDS[name]} is not entered."
        elif not low <= value <= high:
            wrong[name] = (
                f"{WORDS[name]} {shown(value)} is not between {low:g} and {high:g} {UNITS[name]}. "
                "Read it again."
            )
    qrs, qt = values.get("qrs"), values.get("qt")
    if not wrong and qrs is not None and qt is not None and qrs >= qt:
        wrong["qt"] = f"QT interval {shown(qt)} must be longer than QRS duration {shown(qrs)}."
    return wrong


def outside(intervals: Intervals, limits: EcgLimits) -> tuple[str, ...]:
    """Return a sentence for each interval outside the limits; the limits themselves pass."""
    found = []
    if not limits.pr_from <= intervals.pr <= limits.pr_passes_to:
        why = f"passes from {limits.pr_from:g} to {limits.pr_passes_to:g}"
        if intervals.pr > FIRST_DEGREE_BLOCK_OVER:
            why += f"; over {FIRST_DEGREE_BLOCK_OVER:g} without dropped beats is first-degree block"
        found.append(f"PR interval {shown(intervals.pr)} ms ({why}).")
    corrected = corrected_qt(intervals.qt, intervals.rate, limits.qtc_formula)
    if corrected > limits.qtc_to:
        found.append(
            f"Corrected QT interval {shown(corrected)} ms by {limits.qtc_formula.capitalize()} "
            f"(passes up to {limits.qtc_to:g})."
        )
    return tuple(found)
