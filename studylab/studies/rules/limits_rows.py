"""Limits as rows to read: the same rows are shown as tables, compared between versions and signed."""

from collections.abc import Iterator
from dataclasses import dataclass

from studylab.studies.rules.limits import Band, Limits, VitalBands

SCREENING, PRE_DOSE = "Screening", "Before the dose"
POST_DOSE, LEAVE = "After the dose", "Fit to leave"
FLOORS, MEASURING, STANDING, ECG, CHECKS, VALIDITY, NUMBERS = (
    "Floors of personal limits",
    "How vitals are taken",
    "Standing test",
    "ECG",
    "Checks besides the readings",
    "How long things hold",
    "Numbers in the questions",
)
VITALS = {
    "systolic": ("Systolic pressure", "mmHg"),
    "diastolic": ("Diastolic pressure", "mmHg"),
    "pulse": ("Pulse", "per minute"),
}
NUMBER_NAMES = {
    "age_min": ("Youngest age", "years"),
    "age_max": ("Oldest age", "years"),
    "bmi_min": ("Lowest body mass index", "kg/m²"),
    "bmi_max": ("Highest body mass index", "kg/m²"),
    "weight_min": ("Lowest weight", "kg"),
    "fasting_hours": ("Longest time without food on the dosing day", "hours"),
    "alcohol_hours": ("No alcohol for", "hours"),
    "caffeine_hours": ("No caffeine for", "hours"),
    "cigarettes_per_day": ("Cigarettes a day without a physician's word", ""),
    "study_drug_days": ("Since another study's drug", "days"),
    "blood_donation_days": ("Since giving blood", "days"),
    "drinks_per_week": ("Alcoholic drinks a week without a physician's word", ""),
    "stimulant_days": ("Since cocaine, amphetamine or MDMA", "days"),
    "faints": ("Faints in 12 months that need a physician's word", ""),
}


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One limit in words: where it applies, what it is, its value with its unit."""

    group: str
    name: str
    value: str


@dataclass(frozen=True, slots=True)
class BandRow:
    """A vital value at one gate: where it passes, and where a physician decides; else it is outside."""

    name: str
    unit: str
    passes: str
    physician: str


@dataclass(frozen=True, slots=True)
class Change:
    """A limit that differs between two versions; an empty side means it is not there."""

    group: str
    name: str
    before: str
    after: str


def _n(value: float) -> str:
    """Return a number as it is, unrounded and without a trailing .0."""
    return str(int(value)) if value == int(value) else str(value)


def interval(low: float, high: float, *, upper_included: bool) -> str:
    """Return an interval in words: lower edge included, upper one only when said."""
    return f"{_n(low)} to {_n(high)}" if upper_included else f"{_n(low)} to below {_n(high)}"


def band_rows(bands: VitalBands) -> list[BandRow]:
    """Return the three vital values of a gate with their bands."""
    rows = []
    for key, (name, unit) in VITALS.items():
        band: Band = getattr(bands, key)
        upper = band.upper_included
        rows.append(
            BandRow(
                name,
                unit,
                interval(band.pass_from, band.pass_below, upper_included=upper),
                interval(band.review_from, band.review_below, upper_included=upper),
            )
        )
    return rows


def limit_rows(limits: Limits) -> list[LimitRow]:
    """Return every limit as a row, in the order of the gates."""
    return [
        *_bands(SCREENING, limits.screening),
        *_bands(PRE_DOSE, limits.pre_dose),
        *_post_dose(limits),
        *_leave(limits),
        *_rest(limits),
        *(_number(key, value) for key, value in sorted(limits.numbers.items())),
    ]


def changes(before: Limits, after: Limits) -> list[Change]:
    """Return what differs, in the order of the new version, rows that are gone last."""
    old = {(row.group, row.name): row.value for row in limit_rows(before)}
    new = {(row.group, row.name): row.value for row in limit_rows(after)}
    keys = [*new, *(key for key in old if key not in new)]
    return [
        Change(*key, old.get(key, ""), new.get(key, ""))
        for key in keys
        if old.get(key) != new.get(key)
    ]


def _bands(group: str, bands: VitalBands) -> Iterator[LimitRow]:
    for row in band_rows(bands):
        text = f"passes {row.passes}, physician decides {row.physician} {row.unit}, else outside"
        yield LimitRow(group, row.name, text)


def _post_dose(limits: Limits) -> list[LimitRow]:
    at = limits.post_dose
    pairs = {
        "Pulse": f"passes from {_n(at.pulse_pass_from)}, pauses from {_n(at.pulse_pause_from)}, "
        "below that stops, per minute",
        "Systolic pressure": f"passes from {_n(at.systolic_pass_from)}, pauses from "
        f"{_n(at.systolic_pause_from)}, below that stops, mmHg",
        "Diastolic pressure": f"passes from {_n(at.diastolic_pass_from)}, below that pauses, mmHg",
        "Fall of systolic pressure": f"more than {_n(at.systolic_fall)} mmHg pauses",
        "Fall of pulse": f"more than {_n(at.pulse_fall)} per minute pauses",
    }
    return [LimitRow(POST_DOSE, name, value) for name, value in pairs.items()]


def _leave(limits: Limits) -> list[LimitRow]:
    at = limits.leave
    pairs = {
        "Pulse": f"from {_n(at.pulse_from)} per minute",
        "Systolic pressure": f"from {_n(at.systolic_from)} mmHg, or within "
        f"{_n(at.systolic_within_of_screening)} mmHg of the screening value",
        "Earliest": f"{at.earliest_minutes} minutes after the dose",
        "Not fit by then": f"{at.not_fit_after_minutes} minutes after the dose: transfer or overnight plan",
    }
    return [LimitRow(LEAVE, name, value) for name, value in pairs.items()]


def _rest(limits: Limits) -> list[LimitRow]:
    taking = limits.measuring
    return [
        LimitRow(FLOORS, "Systolic pressure", f"{_n(limits.floor_systolic)} mmHg"),
        LimitRow(FLOORS, "Diastolic pressure", f"{_n(limits.floor_diastolic)} mmHg"),
        LimitRow(FLOORS, "Pulse", f"{_n(limits.floor_pulse)} per minute"),
        LimitRow(MEASURING, "Rest before the first reading", f"{taking.rest_seconds} seconds"),
        LimitRow(
            MEASURING,
            "Between readings",
            f"{taking.gap_min_seconds} to {taking.gap_max_seconds} seconds",
        ),
        LimitRow(
            MEASURING,
            "A fourth reading",
            "when systolic pressure of the second and third differ by more than "
            f"{_n(taking.fourth_if_systolic_differs)} mmHg",
        ),
        LimitRow(
            MEASURING,
            "Both arms before the first set",
            f"{'yes' if taking.both_arms_first else 'no'}; a physician looks from "
            f"{_n(taking.arms_differ_physician)} mmHg systolic between the arms",
        ),
        LimitRow(
            MEASURING,
            "Pulse counted for 60 seconds",
            f"when irregular, or shown below {_n(taking.counted_pulse_below)} per minute",
        ),
        LimitRow(
            MEASURING,
            "Rest before a set is repeated on the dosing day",
            f"{taking.repeat_after_seconds} seconds",
        ),
        *_standing(limits),
        *_ecg(limits),
        *_checks(limits),
        LimitRow(
            VALIDITY, "Pre-dose vitals at the dose", f"{limits.pre_dose_valid_minutes} minutes"
        ),
        LimitRow(VALIDITY, "A physician's sign-off", f"{limits.sign_off_valid_days} days"),
    ]


def _standing(limits: Limits) -> list[LimitRow]:
    at = limits.standing
    pairs = {
        "Rest before": f"{at.rest_seconds} seconds, lying or seated",
        "Readings": f"after 1 and 3 minutes of standing, {at.tolerance_seconds} seconds either way",
        "Failed": f"fall of {_n(at.systolic_fall)} systolic or {_n(at.diastolic_fall)} diastolic, standing "
        f"systolic below {_n(at.systolic_from)} mmHg, or symptoms",
        "From a chair": f"fall of {_n(at.seated_systolic_fall)} systolic or "
        f"{_n(at.seated_diastolic_fall)} diastolic: repeat from lying down",
    }
    return [LimitRow(STANDING, name, value) for name, value in pairs.items()]


_ECG_ASKED = {
    "always": "always at screening",
    "in_review": "when a value at screening lies in the physician's band",
    "never": "not asked for",
}


def _ecg(limits: Limits) -> list[LimitRow]:
    at = limits.ecg
    return [
        LimitRow(ECG, "Asked for", _ECG_ASKED[at.asked]),
        LimitRow(
            ECG,
            "PR interval",
            f"{_n(at.pr_from)} to {_n(at.pr_passes_to)} ms, else a physician decides",
        ),
        LimitRow(
            ECG,
            "Corrected QT interval",
            f"up to {_n(at.qtc_to)} ms by {at.qtc_formula.capitalize()}, else a physician decides",
        ),
    ]


CHECK_NAMES = {
    "standing_test": "standing test",
    "pregnancy_test": "pregnancy test where it applies",
    "breath_alcohol": "breath alcohol",
    "last_meal": "last meal",
    "ecg": "ECG",
}


def _checks(limits: Limits) -> list[LimitRow]:
    at = limits.checks
    gates = {SCREENING: at.screening, PRE_DOSE: at.pre_dose, LEAVE: at.leave}
    return [
        LimitRow(CHECKS, gate, ", ".join(CHECK_NAMES[kind] for kind in kinds) or "none")
        for gate, kinds in gates.items()
    ]


def _number(key: str, value: float) -> LimitRow:
    name, unit = NUMBER_NAMES.get(key, (key, ""))
    return LimitRow(NUMBERS, name, f"{_n(value)} {unit}".rstrip())
