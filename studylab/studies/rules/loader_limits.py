"""Reads the limits of a study document and holds them to the bounds that no study may loosen."""

from studylab.studies.rules.loader_checks import read_checks, read_ecg, read_standing
from studylab.studies.rules.protocol import (
    Band,
    LeaveLimits,
    Limits,
    Measuring,
    PostDoseLimits,
    VitalBands,
)
from studylab.studies.rules.reader import Table

# Lowest limits a study may set. Propranolol labels name bradycardia and hypotension as
# contraindications (UK SmPC 4.3) without numbers; the numbers are this house's proposal.
LOWEST = {"systolic": 90.0, "diastolic": 55.0, "pulse": 50.0}
LEAVE_EARLIEST_MINUTES = 120

# Every number a study must give besides the bands: (least, most) that make sense at all.
NUMBERS: dict[str, tuple[float, float]] = {
    "age_min": (18, 120),  # adults only
    "age_max": (18, 120),
    "bmi_min": (10, 60),  # kg/m2
    "bmi_max": (10, 60),
    "weight_min": (30, 200),  # kg
    "fasting_hours": (1, 24),  # prolonged fasting is a label contraindication; a day is prolonged
    "alcohol_hours": (0, 168),
    "caffeine_hours": (0, 168),
    "cigarettes_per_day": (0, 100),
    "study_drug_days": (0, 730),
    "blood_donation_days": (0, 730),
    "drinks_per_week": (0, 100),
    "stimulant_days": (0, 365),
    "faints": (1, 20),
}


def _must_be_at_least(table: Table, name: str, value: float, least: float, unit: str) -> None:
    """Refuse a limit below the house's own, unless the value itself could not be read."""
    if table.readable and table.problems.clean(table.key(name)) and value < least:
        message = f"{value:g} {unit} is below {least:g} {unit}: a study may tighten, not loosen."
        table.wrong(name, message, f"Set it to {least:g} or more.")


def read_limits(document: Table) -> Limits:
    """Return the limits of the whole document."""
    table = document.table("limits")
    limits = Limits(
        screening=_bands(table, "screening"),
        pre_dose=_bands(table, "pre_dose"),
        post_dose=_post_dose(table),
        leave=_leave(table),
        measuring=_measuring(table),
        **_floors(table),
        pre_dose_valid_minutes=table.whole("pre_dose_valid_minutes", low=1, high=240),
        sign_off_valid_days=table.whole("sign_off_valid_days", low=1, high=366),
        standing=read_standing(table),
        ecg=read_ecg(table),
        checks=read_checks(table),
        numbers=_numbers(table),
    )
    table.close()
    return limits


def _bands(limits: Table, gate: str) -> VitalBands:
    table = limits.table(gate)
    bands = VitalBands(
        systolic=_band(table, "systolic"),
        diastolic=_band(table, "diastolic"),
        pulse=_band(table, "pulse"),
    )
    table.close()
    return bands


def _band(bands: Table, name: str) -> Band:
    table = bands.table(name)
    band = Band(
        pass_from=table.number("pass_from", low=0, high=300),
        pass_below=table.number("pass_below", low=0, high=300),
        review_from=table.number("review_from", low=0, high=300),
        review_below=table.number("review_below", low=0, high=300),
        upper_included=table.flag("upper_included", default=False),
    )
    table.close()
    _must_be_at_least(table, "review_from", band.review_from, LOWEST[name], _unit(name))
    ordered = band.review_from <= band.pass_from < band.pass_below <= band.review_below
    if table.readable and table.problems.clean(table.path) and not ordered:
        table.problems.add(
            table.path,
            "The four limits of this band are not in order.",
            "Order them: review_from <= pass_from < pass_below <= review_below.",
        )
    return band


def _post_dose(limits: Table) -> PostDoseLimits:
    table = limits.table("post_dose")
    found = PostDoseLimits(
        pulse_pass_from=table.number("pulse_pass_from", low=20, high=220),
        pulse_pause_from=table.number("pulse_pause_from", low=20, high=220),
        systolic_pass_from=table.number("systolic_pass_from", low=40, high=260),
        systolic_pause_from=table.number("systolic_pause_from", low=40, high=260),
        diastolic_pass_from=table.number("diastolic_pass_from", low=20, high=160),
        systolic_fall=table.number("systolic_fall", low=1, high=200),
        pulse_fall=table.number("pulse_fall", low=1, high=200),
    )
    table.close()
    _in_order(
        table, "pulse_pause_from", found.pulse_pause_from, "pulse_pass_from", found.pulse_pass_from
    )
    _in_order(
        table,
        "systolic_pause_from",
        found.systolic_pause_from,
        "systolic_pass_from",
        found.systolic_pass_from,
    )
    return found


def _leave(limits: Table) -> LeaveLimits:
    table = limits.table("leave")
    found = LeaveLimits(
        pulse_from=table.number("pulse_from", low=20, high=220),
        systolic_from=table.number("systolic_from", low=40, high=260),
        systolic_within_of_screening=table.number("systolic_within_of_screening", low=0, high=100),
        earliest_minutes=table.whole("earliest_minutes", low=1, high=1440),
        not_fit_after_minutes=table.whole("not_fit_after_minutes", low=1, high=2880),
    )
    table.close()
    least = LEAVE_EARLIEST_MINUTES
    _must_be_at_least(table, "earliest_minutes", found.earliest_minutes, least, "minutes")
    _in_order(
        table,
        "earliest_minutes",
        found.earliest_minutes,
        "not_fit_after_minutes",
        found.not_fit_after_minutes,
    )
    return found


def _measuring(limits: Table) -> Measuring:
    table = limits.table("measuring")
    found = Measuring(
        rest_seconds=table.whole("rest_seconds", low=60, high=3600),
        gap_min_seconds=table.whole("gap_min_seconds", low=1, high=600),
        gap_max_seconds=table.whole("gap_max_seconds", low=1, high=900),
        fourth_if_systolic_differs=table.number("fourth_if_systolic_differs", low=1, high=100),
        both_arms_first=table.flag("both_arms_first", default=True),
        arms_differ_physician=table.number("arms_differ_physician", low=5, high=100),
        counted_pulse_below=table.number("counted_pulse_below", low=40, high=100),
        repeat_after_seconds=table.whole("repeat_after_seconds", low=60, high=7200),
    )
    table.close()
    _in_order(
        table, "gap_min_seconds", found.gap_min_seconds, "gap_max_seconds", found.gap_max_seconds
    )
    return found


def _floors(limits: Table) -> dict[str, float]:
    """Return the lowest personal limits a physician may sign, as arguments of `Limits`."""
    table = limits.table("floor")
    found: dict[str, float] = {}
    for name, least in LOWEST.items():
        found[f"floor_{name}"] = table.number(name, low=0, high=300)
        _must_be_at_least(table, name, found[f"floor_{name}"], least, _unit(name))
    table.close()
    return found


def _numbers(limits: Table) -> dict[str, float]:
    table = limits.table("numbers")
    found = {name: table.number(name, low=low, high=high) for name, (low, high) in NUMBERS.items()}
    table.close()
    _in_order(table, "age_min", found["age_min"], "age_max", found["age_max"])
    _in_order(table, "bmi_min", found["bmi_min"], "bmi_max", found["bmi_max"])
    return found


def _unit(vital: str) -> str:
    return "per minute" if vital == "pulse" else "mmHg"


def _in_order(table: Table, lower: str, low: float, upper: str, high: float) -> None:
    """Note a problem when two readable values are the wrong way round."""
    readable = table.problems.clean(table.key(lower)) and table.problems.clean(table.key(upper))
    if readable and low > high:
        message = f"{low:g} is above {upper} ({high:g})."
        table.wrong(lower, message, f"Set {lower} to {upper} or less.")
