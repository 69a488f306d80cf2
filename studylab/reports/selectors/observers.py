"""The checks of how readings are written down, for each observer of a study. No measured value leaves here."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from scheduling.models import StepRecord
from screening.models import VitalReading, VitalSet
from studylab.people.models import Signature, User
from studylab.reports.rules.chart import Cell, Chart
from studylab.reports.rules.observers import (
    AtLimit,
    Digits,
    SetSeen,
    at_limit,
    at_once,
    batches,
    delays,
    digits,
    same_sets,
)
from studylab.studies.models import Study
from studylab.studies.rules.protocol import VitalBands
from studylab.studies.selectors import current_protocol

MEASURES = ("systolic", "diastolic", "pulse")
SHOWN = 5  # batches, equal sets and moments named on the page; the counts count all


@dataclass(frozen=True, slots=True)
class Checks:
    """What is found of one observer; `looked` is the newest signature that somebody looked."""

    user: User
    sets: int
    digits: tuple[tuple[str, Digits | None], ...]
    limits: tuple[AtLimit, ...]
    late: int
    middle: timedelta
    batches: list[tuple[SetSeen, ...]]
    same: list[tuple[SetSeen, ...]]
    at_once: list[tuple[datetime, str, str]]
    looked: Signature | None

    @property
    def minutes(self) -> int:
        """The middle delay from measuring to entry, in whole minutes."""
        return int(self.middle.total_seconds() // 60)

    @property
    def more(self) -> int:
        """How many batches, equal sets and moments are not named on the page."""
        return sum(max(0, len(rows) - SHOWN) for rows in (self.batches, self.same, self.at_once))

    @property
    def asks(self) -> bool:
        """Whether anything asks for a look."""
        rare = any(found.rare for _name, found in self.digits if found)
        return rare or any(one.rare for one in self.limits) or bool(self.batches or self.same or self.at_once)  # fmt: skip

    @property
    def figures(self) -> dict[str, Any]:
        """Plain figures, as they are signed."""
        return {
            "sets": self.sets,
            "digits": {name: list(found.counts) for name, found in self.digits if found},
            "limits": {one.what: [one.passing, one.failing] for one in self.limits},
            "late": self.late, "batches": len(self.batches), "same": len(self.same),
            "at_once": len(self.at_once),
        }  # fmt: skip


def observer_checks(study: Study) -> list[Checks]:
    """Return the checks of everybody who entered readings, by name, in a constant number of queries."""
    sets, acts = _sets(study), _acts(study)
    bands = current_protocol(study).plan.limits.pre_dose
    signed = {
        row.subject_code: row
        for row in Signature.objects.filter(study_id=study.pk, subject_type="observer").select_related("user").order_by("id")
    }  # fmt: skip
    people = User.objects.filter(pk__in=sets).order_by("name", "pk")
    return [_checks(user, sets[user.pk], acts[user.pk], bands, signed.get(str(user.pk))) for user in people]  # fmt: skip


def _checks(
    user: User, sets: list[SetSeen], acts: list[tuple[datetime, str]], bands: VitalBands,
    looked: Signature | None,
) -> Checks:  # fmt: skip
    of = {name: [reading[n] for one in sets for reading in one.readings] for n, name in enumerate(MEASURES)}  # fmt: skip
    late, middle = delays(sets)
    return Checks(
        user=user, sets=len(sets), digits=tuple((name, digits(of[name])) for name in MEASURES),
        limits=_limits(sets, bands), late=late, middle=middle, batches=batches(sets),
        same=same_sets(sets), at_once=at_once(acts), looked=looked,
    )  # fmt: skip


def _limits(sets: list[SetSeen], bands: VitalBands) -> tuple[AtLimit, ...]:
    """Readings before the dose, around the limits below and above which it is not given without more."""
    before = [reading for one in sets if one.before_dose for reading in one.readings]
    found = []
    for place, name in enumerate(MEASURES):
        band, values = getattr(bands, name), [reading[place] for reading in before]
        top = band.pass_below + (1 if band.upper_included else 0)
        found += [
            at_limit(f"{name}, lower limit", values, band.pass_from, passes_above=True),
            at_limit(f"{name}, upper limit", values, top, passes_above=False),
        ]
    return tuple(one for one in found if one is not None)


def _sets(study: Study) -> dict[int, list[SetSeen]]:
    """Sets as they were first entered, by who entered them."""
    rows = VitalReading.objects.filter(
        set__participant__study=study, set__supersedes=None, set__recorded_by__isnull=False
    ).order_by("set__recorded_at", "set_id", "index").values_list(
        "set_id", "set__recorded_by_id", "set__participant__code", "set__taken_at",
        "set__recorded_at", "set__gate", *MEASURES,
    )  # fmt: skip
    heads: dict[int, tuple[int, str, datetime, datetime, str]] = {}
    readings: dict[int, list[tuple[int, int, int]]] = defaultdict(list)
    for number, who, code, taken, recorded, gate, top, low, pulse in rows:
        heads[number] = (who, code, taken, recorded, gate)
        readings[number].append((top, low, pulse))
    found: dict[int, list[SetSeen]] = defaultdict(list)
    for number, (who, code, taken, recorded, gate) in heads.items():
        before = gate == VitalSet.Gate.PRE_DOSE
        found[who].append(SetSeen(code, taken, recorded, tuple(readings[number]), before))
    return found


def _acts(study: Study) -> dict[int, list[tuple[datetime, str]]]:
    """When who acted for whom, by the server's time: steps of visits, and sets."""
    found: dict[int, list[tuple[datetime, str]]] = defaultdict(list)
    mine: dict[str, Any] = {"participant__study": study, "recorded_by__isnull": False}
    for rows in (StepRecord.objects.filter(**mine), VitalSet.objects.filter(**mine)):
        for who, at, code in rows.order_by().values_list("recorded_by_id", "recorded_at", "participant__code"):  # fmt: skip
            found[who].append((at, code))
    return found


def digits_table(checks: list[Checks]) -> Chart:
    """Return the last digits of everybody as a table to take away."""
    rows: list[tuple[Cell, ...]] = [
        (one.user.name, name, found.number, *found.counts, f"{found.chance:.2e}")
        for one in checks
        for name, found in one.digits
        if found
    ]
    return Chart(
        key="observers", title="Last digits by observer", about="", drawing=None,
        columns=("observer", "measure", "readings", *(f"ends in {n}" for n in range(10)), "exact chance"),
        rows=rows, row="one measure of one observer", by="observer and measure",
    )  # fmt: skip
