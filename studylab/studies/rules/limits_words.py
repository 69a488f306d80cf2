"""The numbers of a study document's limits in words, by their place in the document."""

from studylab.studies.rules.limits_rows import (
    CHECKS,
    ECG,
    FLOORS,
    LEAVE,
    MEASURING,
    NUMBER_NAMES,
    NUMBERS,
    POST_DOSE,
    PRE_DOSE,
    SCREENING,
    STANDING,
    VALIDITY,
    VITALS,
)

_GROUPS = {
    "screening": SCREENING,
    "pre_dose": PRE_DOSE,
    "post_dose": POST_DOSE,
    "leave": LEAVE,
    "measuring": MEASURING,
    "standing": STANDING,
    "ecg": ECG,
    "checks": CHECKS,
    "floor": FLOORS,
    "numbers": NUMBERS,
}
_EDGES = {
    "pass_from": "passes from",
    "pass_below": "passes to",
    "review_from": "physician from",
    "review_below": "physician to",
}
_NAMES = {
    "pre_dose_valid_minutes": "Pre-dose vitals hold at the dose for",
    "sign_off_valid_days": "A physician's sign-off holds for",
    "pulse_pass_from": "Pulse passes from",
    "pulse_pause_from": "Pulse pauses from, below that stops",
    "systolic_pass_from": "Systolic pressure passes from",
    "systolic_pause_from": "Systolic pressure pauses from, below that stops",
    "diastolic_pass_from": "Diastolic pressure passes from",
    "systolic_fall": "Fall of systolic pressure",
    "diastolic_fall": "Fall of diastolic pressure",
    "pulse_fall": "Fall of pulse that pauses",
    "pulse_from": "Pulse from",
    "systolic_from": "Systolic pressure from",
    "systolic_within_of_screening": "Or systolic pressure within this of the screening value",
    "earliest_minutes": "Earliest after the dose",
    "not_fit_after_minutes": "Not fit by then: transfer or overnight plan",
    "rest_seconds": "Rest before the first reading",
    "gap_min_seconds": "Between readings at least",
    "gap_max_seconds": "Between readings at most",
    "fourth_if_systolic_differs": "A fourth reading when systolic pressure differs by more than",
    "arms_differ_physician": "A physician looks when systolic pressure of the arms differs by",
    "counted_pulse_below": "Count the pulse by hand below",
    "repeat_after_seconds": "Rest before the repeat of a set",
    "tolerance_seconds": "How far from their minute readings may lie",
    "seated_systolic_fall": "From a chair: fall of systolic pressure",
    "seated_diastolic_fall": "From a chair: fall of diastolic pressure",
    "pr_from": "PR interval from",
    "pr_to": "PR interval to",
    "qtc_to": "QTc interval to",
}


def group_of(path: tuple[str, ...]) -> str:
    """Return the heading under which a limit stands."""
    if len(path) == 1:
        return VALIDITY
    return _GROUPS.get(path[0], path[0].replace("_", " ").capitalize())


def words_of(path: tuple[str, ...]) -> tuple[str, str]:
    """Return the name and the unit of a limit; an unknown key is its own name."""
    key = path[-1]
    if len(path) == 3 and path[1] in VITALS and key in _EDGES:
        name, unit = VITALS[path[1]]
        return f"{name}, {_EDGES[key]}", unit
    if path[0] == "floor" and key in VITALS:
        return VITALS[key]
    if key in NUMBER_NAMES:
        return NUMBER_NAMES[key]
    return _NAMES.get(key, key.replace("_", " ").capitalize()), _unit(key)


def _unit(key: str) -> str:
    parts = key.split("_")
    units = {
        "seconds": "seconds", "minutes": "minutes", "days": "days", "hours": "hours", "pr": "ms", "qtc": "ms",
        "pulse": "per minute", "systolic": "mmHg", "diastolic": "mmHg", "arms": "mmHg",
    }  # fmt: skip
    return next((unit for part, unit in units.items() if part in parts), "")
