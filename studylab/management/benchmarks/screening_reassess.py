"""How many people a second are assessed anew after a rule change, in constant memory.

The people are made in one transaction that is taken back: a hundred of them one by one, the others as copies of
their rows. The guards are off while copying, since they look at each row for itself.
"""

import resource
import sys
from datetime import timedelta
from time import perf_counter
from typing import Any

import pgtrigger
from django.db import connection
from django.db.models import Model

from screening.models import AnswerSet, Assessment, VitalReading, VitalSet
from screening.selectors.assessed import assessed
from screening.selectors.inputs import current_inputs
from screening.services.assessment import assessment_row
from screening.services.reassess import reassess_all
from studylab import clock
from studylab.access import system_actor
from studylab.management.benchmarks import Line, Measured, benchmark, rolled_back
from studylab.management.benchmarks.screening_assess import DOCUMENT
from studylab.participants.models import Participant, Person
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import protocol_hash

SAMPLES = 100
STEP = 10_000_000  # between the ids of a sample and of its copies
HOUSE = system_actor("benchmark")
CHANGE = ("pass_from = 60, pass_below = 100", "pass_from = 64, pass_below = 100")
COPIED: tuple[type[Model], ...] = (
    Person, Participant, AnswerSet, VitalSet, VitalReading, Assessment,
)  # fmt: skip


@benchmark(
    "screening.reassess_all",
    unit="people per second",
    reference="reading the same rows in the same chunks",
    size=50_000,
    tiny=150,
)
def reassess_speed(size: int) -> Measured:
    """Change a limit under `size` people and assess them all; then only read what that reads."""
    with rolled_back(), pgtrigger.ignore():
        study = _study()
        _people(study, size)
        _version(study, 2, *CHANGE)
        memory: list[int] = []
        began = perf_counter()
        run = reassess_all(
            study=study, actor=HOUSE, progress=lambda _run: memory.append(_resident())
        )
        ours = perf_counter() - began
        if run.made != run.people:
            raise AssertionError(f"{run.made} of {run.people} were assessed anew.")
        plain = _read(study)
    early = memory[len(memory) // 10]
    more = Line(
        "screening.reassess_all.memory", memory[-1] / 1e6, "MB at most at the end",
        "the most after the first tenth of the people", early / memory[-1],
    )  # fmt: skip
    return Measured(run.people / ours, plain / ours, (more,))


def _resident() -> int:
    """Return the most memory that this process has held so far, in bytes."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def _study() -> Study:
    study = Study.objects.create(
        slug="benchmark-scratch", title="Scratch", short_title="Scratch", timezone="UTC",
        code_prefix="Z", created_at=clock.now(), languages=["en"], state=Study.State.OPEN,
    )  # fmt: skip
    _version(study, 1)
    return study


def _version(study: Study, number: int, old: str = "", new: str = "") -> None:
    text = DOCUMENT.read_text(encoding="utf-8").replace(old, new)
    ProtocolVersion.objects.create(
        study=study, number=number, document=text, sha256=protocol_hash(text), added_at=clock.now()
    )


def _people(study: Study, size: int) -> None:
    """Put `size` people with answers, medicines, one vital set and one assessment into the study."""
    number = min(SAMPLES, size)
    for serial in range(1, number + 1):
        _sample(study, serial)
    _copy(study, size // number - 1)
    with connection.cursor() as cursor:
        for model in COPIED:
            cursor.execute(f"ANALYZE {connection.ops.quote_name(model._meta.db_table)}")


def _sample(study: Study, serial: int) -> None:
    now = clock.now()
    person = Participant.objects.create(
        study=study, person=Person.objects.create(created_at=now), code=f"Z-{serial}", serial=serial,
        status_at=now, added_at=now,
    )  # fmt: skip
    rows = current_inputs(person, "screening").table.asked("screening")
    answers = {
        row.id: {"value": row.quiet or (2 if row.kind == "number" else "2025-01-10"), "detail": ""}
        for row in rows
        if not row.asked_if
    }
    flagged = [key for key, item in answers.items() if item["value"] == "no"][serial % 40]
    answers[flagged]["value"] = "not_sure" if serial % 3 == 0 else "no"
    AnswerSet.objects.create(
        participant=person, when="screening", answers=answers, medicines=_medicines(serial),
        age_years=20 + serial % 25, height_cm=172, weight_kg=60 + serial % 20, source="staff",
        given_at=now, recorded_at=now,
    )  # fmt: skip
    _vitals(person, serial)
    inputs = current_inputs(person, "screening")
    result = assessed(inputs, zone=study.zone, gate="screening", at=now)
    assessment_row(person, Assessment.Gate.SCREENING, inputs, result, now).save()


def _medicines(serial: int) -> list[dict[str, Any]]:
    names = ("paracetamol", "ibuprofen", "cetirizine", "loratadine")
    taken = (clock.now() - timedelta(days=3)).isoformat()
    return [
        {"name": names[(serial + n) % 4], "atc": None, "route": "", "dose": "one", "last_taken": taken,
         "prescribed": False}
        for n in range(3)
    ]  # fmt: skip


def _vitals(person: Participant, serial: int) -> None:
    now, pulse = clock.now(), 58 + serial % 20
    vital_set = VitalSet.objects.create(
        participant=person, gate="screening", arm="left", systolic=112, diastolic=74, pulse=pulse,
        taken_at=now, recorded_at=now,
    )  # fmt: skip
    VitalReading.objects.bulk_create(
        VitalReading(
            set=vital_set, index=n, systolic=112, diastolic=74, pulse=pulse,
            at=now - timedelta(seconds=60 * (3 - n)),
        )
        for n in (1, 2, 3)
    )  # fmt: skip


def _copy(study: Study, copies: int) -> None:
    """Copy the samples' rows `copies` times, ids moved on by STEP for each copy."""
    own = {"id", "participant_id", "person_id", "set_id", "answer_set_id", "vital_set_id"}
    with connection.cursor() as cursor:
        for model in COPIED:
            table = connection.ops.quote_name(model._meta.db_table)
            columns = [str(field.column) for field in model._meta.local_concrete_fields]
            values = ", ".join(_value(column, own) for column in columns)
            names = ", ".join(connection.ops.quote_name(column) for column in columns)
            cursor.execute(
                f"INSERT INTO {table} ({names}) SELECT {values} FROM {table} t "  # noqa: S608 - no input
                "CROSS JOIN generate_series(1, %s) k WHERE t.id = ANY(%s)",
                [copies, _ids(model, study)],
            )


def _value(column: str, own: set[str]) -> str:
    if column in own:
        return f't."{column}" + k::bigint * {STEP}'
    special = {
        "uid": "gen_random_uuid()",
        "serial": f"t.serial + k * {SAMPLES}",
        "code": f"'Z-' || (t.serial + k * {SAMPLES})",
    }
    return special.get(column, f't."{column}"')


def _ids(model: type[Model], study: Study) -> list[int]:
    paths = {
        Person: "participations__study", Participant: "study", VitalReading: "set__participant__study",
    }  # fmt: skip
    path = paths.get(model, "participant__study")
    return list(model._default_manager.filter(**{path: study}).values_list("pk", flat=True))


def _read(study: Study) -> float:
    """Return the seconds for reading the same rows as plain tuples, a chunk of people at a time."""
    began, last = perf_counter(), 0
    with connection.cursor() as cursor:
        while True:
            cursor.execute(
                "SELECT * FROM participants_participant WHERE study_id = %s AND id > %s ORDER BY id "
                "LIMIT 500",
                [study.pk, last],
            )
            people = cursor.fetchall()
            if not people:
                return perf_counter() - began
            ids = [row[0] for row in people]
            last = ids[-1]
            for table, condition in (
                ("screening_answerset", "participant_id = ANY(%s)"),
                ("screening_vitalset", "participant_id = ANY(%s)"),
                ("screening_assessment", "participant_id = ANY(%s) AND run_id IS NULL"),
                ("screening_vitalreading",
                 "set_id IN (SELECT id FROM screening_vitalset WHERE participant_id = ANY(%s))"),
            ):  # fmt: skip
                cursor.execute(f"SELECT * FROM {table} WHERE {condition}", [ids])  # noqa: S608
                cursor.fetchall()
