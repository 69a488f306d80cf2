"""Reading a study in from its export, into a site in which there is none yet.

Only a command does this (`import_study`), never a page: most guards of the tables watch over work as it is done, day by
day, and stand aside while finished rows are put back, and accounts of staff are made. What stays on watch are all
constraints, and the guard that nothing was recorded on a person before a consent that is earlier.

Sealed list, kits and contact details are in no export. In their place stand rows that say so: codes cannot be opened and
nothing can be given in a study that was read in. It is the record to look at, search, print and export again.
"""

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from itertools import islice
from typing import IO, Any
from uuid import uuid4

import pgtrigger
from django.db import IntegrityError, connection, transaction
from django.db.models import Model

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.allocation.models import AllocationList, Kit, KitBatch
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Refused
from studylab.outbox.rules.states import State
from studylab.participants.models import Participant, Person
from studylab.people.models import Signature, User
from studylab.people.rules.devices import LOCK_MINUTES_PROPOSED
from studylab.reports.rules.cells import value_of
from studylab.reports.selectors.export_file import FORMAT
from studylab.reports.selectors.export_tables import Table, export_tables
from studylab.studies.models import ProtocolVersion, Study

AT_ONCE = 1000
NOT_HERE = "Read in from an export"
_ON_WATCH = "consent_first"


@dataclass
class _Reading:
    """What is known while the files are read: the study, and where volunteers' codes lead."""

    archive: zipfile.ZipFile
    manifest: dict[str, Any]
    people: dict[str, int] = field(default_factory=dict)
    persons: dict[int, int] = field(default_factory=dict)
    study: int = 0
    list: int = 0
    batch: KitBatch | None = None


@service
def study_import(*, file: IO[bytes], actor: Actor) -> Study:
    """Read the study of an export in; everything of it or nothing.

    Refused when the site holds a study already, when the file is no whole export of this format, or when the database
    refuses a row; the message says which.
    """
    require(actor, Cap.EXPORT_MAKE)
    if not actor.is_system:
        raise Refused("A study is read in by whoever runs the site, with the command import_study.")
    reading = _opened(file)
    for table in export_tables():
        if table.model._default_manager.exists():
            raise Refused(
                f"This site is not empty: there are rows in {table.text.name}. Use a new one."
            )
    with pgtrigger.ignore(*_resting()):
        for table in export_tables():
            _before(table, reading)
            _put(table, reading)
            _numbered_on(table.model)
        with connection.cursor() as cursor:
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    study = Study.objects.get(pk=reading.study)
    audit(
        actor=actor, action=Action.STUDY_IMPORTED, subject_type="study", subject_code=study.slug, study_id=study.pk,
        data={"exported_at": reading.manifest["made_at"], "volunteers": len(reading.people)},
    )  # fmt: skip
    return study


def _opened(file: IO[bytes]) -> _Reading:
    """Return the export, its files compared with their hashes."""
    try:
        archive = zipfile.ZipFile(file)
        manifest = json.loads(archive.read("manifest.json"))
        sums = archive.read("SHA256SUMS").decode()
    except (zipfile.BadZipFile, KeyError, ValueError) as problem:
        raise Refused("This is no export of a study.") from problem
    if manifest.get("format") != FORMAT:
        raise Refused(
            f"This export has format {manifest.get('format')}; this program reads {FORMAT}."
        )
    for line in sums.splitlines():
        wanted, name = line.split("  ", 1)
        digest = hashlib.sha256()
        with archive.open(name) as member:
            for piece in iter(lambda: member.read(1 << 20), b""):
                digest.update(piece)
        if digest.hexdigest() != wanted:
            raise Refused(f"{name} was changed after the export. Nothing was read in.")
    return _Reading(archive, manifest)


def _resting() -> list[str]:
    """Return the triggers that stand aside: all but the guard of consent."""
    return [
        trigger.get_uri(model)
        for model, trigger in pgtrigger.registered()
        if trigger.name != _ON_WATCH
    ]


def _rows(table: Table, reading: _Reading) -> Iterator[dict[str, str]]:
    with reading.archive.open(f"{table.text.name}.csv") as member:
        lines = io.TextIOWrapper(member, encoding="utf-8", newline="")
        csv.field_size_limit(1 << 30)
        # Only the head has comments; a line inside a quoted cell may begin with "# " too.
        for line in lines:
            if not line.startswith("# "):
                header = next(csv.reader([line]))
                break
        for cells in csv.reader(lines):
            yield dict(zip(header, cells, strict=True))


def _put(table: Table, reading: _Reading) -> None:
    """Write the rows of one table, some at a time."""
    rows = (
        _model(table, row, number, reading)
        for number, row in enumerate(_rows(table, reading), start=1)
    )
    while some := list(islice(rows, AT_ONCE)):
        try:
            with transaction.atomic():
                table.model._default_manager.bulk_create(some)
        except IntegrityError as problem:
            raise Refused(
                f"{table.text.name}.csv holds a row that the database refuses: {problem}"
            ) from problem
        if table.model is Participant:
            reading.people |= {one.code: one.pk for one in some}
            reading.persons |= {one.pk: one.person_id for one in some}
        elif table.model is Study:
            reading.study = some[0].pk


def _model(table: Table, row: dict[str, str], number: int, reading: _Reading) -> Any:
    values: dict[str, Any] = {}
    for column, own in zip(table.columns, table.fields, strict=True):
        if own is None:
            continue
        kind = "BigIntegerField" if own.related_model else own.get_internal_type()
        try:
            value = value_of(row[column.name], kind)
        except (ValueError, KeyError, ArithmeticError) as problem:
            raise Refused(
                f"{table.text.name}.csv: {column.name} cannot be read: {row[column.name]}"
            ) from problem
        if value is not None or own.null:
            values[own.attname] = value
    names = {one.name for one in table.model._meta.local_concrete_fields}
    if "study" in names:
        values["study_id"] = reading.study
    if "participant" in names and row.get("code"):
        values["participant_id"] = reading.people[row["code"]]
    values |= _filled(table, values, number, reading)
    return table.model(**values)


def _filled(table: Table, values: dict[str, Any], number: int, reading: _Reading) -> dict[str, Any]:
    """Return what stands in for that which no export holds."""
    name = table.text.name
    if name == "staff":
        mail = f"staff-{values['id']}@not-here.invalid"
        return {"email": mail, "password": "!", "is_active": False, "added_at": clock.now()}
    if name == "signatures":
        return {"content": {}}
    if name == "tablets":  # nobody can sign in on one: no cookie has this digest
        return {"token_digest": f"none-{number}", "last_seen_at": values["enrolled_at"], "lock_minutes": LOCK_MINUTES_PROPOSED}  # fmt: skip
    if name == "volunteers":
        return {"person": Person.objects.create(created_at=values["added_at"])}
    if name == "visits":
        return {"person_id": reading.persons[values["participant_id"]]}
    if name == "numbers":
        return {"list_id": reading.list, "position": number, "box": b""}
    if name == "doses":
        assert reading.batch is not None
        kit = Kit.objects.create(
            study_id=reading.study, batch=reading.batch, number=f"none-{number}"
        )
        return {"kit": kit, "gate": {}}
    if name == "messages" and values["state"] in (State.CLAIMED, State.SENDING):
        # Nobody holds it here: the sweep lets it wait again, or asks whether it went out.
        return {"claim": uuid4(), "claimed_until": values["next_at"]}
    return {}


def _before(table: Table, reading: _Reading) -> None:
    """Put in place what the rows of a table hang on."""
    if table.text.name == "numbers" and reading.manifest["commitment"]:
        nobody, study = _nobody(), Study(pk=reading.study)
        sealed_at = value_of(reading.manifest["sealed_at"], "DateTimeField")
        signature = Signature.objects.create(
            user=nobody, printed_name=NOT_HERE, role="", study=study, meaning=NOT_HERE, content={}, content_hash="",
            subject_type="allocation_list", subject_code="", signed_at=sealed_at,
        )  # fmt: skip
        version = ProtocolVersion.objects.filter(study=study).earliest("number")
        made = AllocationList.objects.create(
            study=study, protocol_version=version, generator_version=NOT_HERE, length=0, box=b"", sealed_at=sealed_at,
            commitment=reading.manifest["commitment"], sealed_by=nobody, sealing=signature,
        )  # fmt: skip
        reading.list = made.pk
    if table.text.name == "doses":
        reading.batch = KitBatch.objects.create(
            study_id=reading.study, label=NOT_HERE, box=b"", usable_until=date(1970, 1, 1), storage="", strength_mg=1,
            units_per_kit=1, received_at=clock.now(), received_by=_nobody(),
        )  # fmt: skip


def _nobody() -> User:
    """Return the account in whose name the placeholders stand. Nobody can sign in to it."""
    found: User = User.objects.get_or_create(
        email="import@not-here.invalid",
        defaults={"name": NOT_HERE, "password": "!", "is_active": False, "added_at": clock.now()},
    )[0]
    return found


def _numbered_on(model: type[Model]) -> None:
    """Let the table's numbers go on after the highest that was read in."""
    table = connection.ops.quote_name(model._meta.db_table)
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT setval(pg_get_serial_sequence(%s, 'id'), greatest(1, (SELECT max(id) FROM {table})))",  # noqa: S608
            [model._meta.db_table],
        )
