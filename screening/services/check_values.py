"""The values of a check as they are stored: only known names, possible numbers, instants that have come."""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from screening.rules.checks import PREGNANCY
from screening.rules.ecg import implausible
from screening.rules.vitals import plausibility
from studylab.errors import Refused
from studylab.studies.rules.protocol import CheckKind

ALCOHOL_MOST = 3.0  # mg/L; far above what anybody survives awake (common practice)
_STANDING = ("before", "one", "three")


def checked_values(
    kind: CheckKind, values: Mapping[str, Any], taken_at: datetime
) -> dict[str, Any]:
    """Return what is stored; refuses what cannot be, naming the field."""
    return _CHECKED[kind](values, taken_at)


def _alcohol(values: Mapping[str, Any], taken_at: datetime) -> dict[str, Any]:
    value = values.get("value")
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise Refused("Enter what the device shows, in mg/L.", field="value")
    if not 0 <= value <= ALCOHOL_MOST:
        raise Refused(
            f"Breath alcohol must be from 0 to {ALCOHOL_MOST:g} mg/L. Check the unit.",
            field="value",
        )
    return {"value": float(value)}


def _meal(values: Mapping[str, Any], taken_at: datetime) -> dict[str, Any]:
    eaten = _past(values, "eaten_at", taken_at)
    if eaten is None:
        raise Refused("Enter when the person last ate.", field="eaten_at")
    return {"eaten_at": eaten, "what": str(values.get("what", "")).strip()[:200]}


def _pregnancy(values: Mapping[str, Any], taken_at: datetime) -> dict[str, Any]:
    if values.get("result") not in PREGNANCY:
        raise Refused("Say what the test shows.", field="result")
    return {"result": values["result"]}


def _ecg(values: Mapping[str, Any], taken_at: datetime) -> dict[str, Any]:
    numbers = {name: values.get(name) for name in ("pr", "qrs", "qt", "rate")}
    for name, told in implausible(numbers).items():
        raise Refused(told, field=name)
    return {**numbers, "note": str(values.get("note", "")).strip()[:500]}


def _standing(values: Mapping[str, Any], taken_at: datetime) -> dict[str, Any]:
    if values.get("start") not in ("lying", "seated"):
        raise Refused("Say whether the person lay or sat before.", field="start")
    if not isinstance(values.get("symptoms"), bool):
        raise Refused("Say whether there were symptoms on standing.", field="symptoms")
    kept: dict[str, Any] = {"start": values["start"], "symptoms": values["symptoms"]}
    kept["rest_seconds"] = values.get("rest_seconds")
    kept["what"] = str(values.get("what", "")).strip()[:200]
    for name in _STANDING:
        systolic, diastolic = values.get(f"{name}_systolic"), values.get(f"{name}_diastolic")
        if systolic is None and diastolic is None:
            if name == "before" or not kept["symptoms"]:
                raise Refused(
                    "Enter this pressure. Only symptoms end the test early.",
                    field=f"{name}_systolic",
                )
            continue
        for problem in plausibility(systolic, diastolic, 60):
            raise Refused(problem.message, field=f"{name}_{problem.field}")
        kept |= {f"{name}_systolic": systolic, f"{name}_diastolic": diastolic}
    for name in ("stood_at", "one_at", "three_at"):
        kept[name] = _past(values, name, taken_at)
    return kept


def _past(values: Mapping[str, Any], name: str, latest: datetime) -> str | None:
    at = values.get(name)
    if at is None:
        return None
    if not isinstance(at, datetime) or at.utcoffset() is None:
        raise Refused("Enter a time with its day.", field=name)
    if at > latest:
        raise Refused("This is later than the check itself. Check the time.", field=name)
    return at.isoformat()


_CHECKED: dict[CheckKind, Callable[[Mapping[str, Any], datetime], dict[str, Any]]] = {
    "breath_alcohol": _alcohol,
    "last_meal": _meal,
    "pregnancy_test": _pregnancy,
    "ecg": _ecg,
    "standing_test": _standing,
}
