"""The ZIP of an export, written table after table in constant memory.

Whoever calls has opened the view of the record that all tables are read from (`studylab.reports.services.export_work`).
"""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import IO, Any

from studylab.allocation.selectors.facts import list_state
from studylab.allocation.selectors.published import about_export
from studylab.reports.rules import check_export
from studylab.reports.rules.archive import Archive, Packed
from studylab.reports.rules.cells import cell
from studylab.reports.rules.dictionary import Column, derived
from studylab.reports.selectors.export_people import people_rows
from studylab.reports.selectors.export_tables import Table, export_tables
from studylab.reports.selectors.fhir import fhir_files
from studylab.spreadsheets import csv_line
from studylab.studies.models import Study

FORMAT = "2"
Told = Callable[[str, int], None]
Arms = Mapping[str, tuple[str, str]]  # volunteer's code -> number and arm of the opened list
STEP = 2000
_BY_PROGRAM = ("manifest.json", "README.txt")


def row_count(study: Study) -> int:
    """Return how many rows of the record an export reads."""
    return sum(table.rows(study).order_by().count() for table in export_tables())


def write_export(
    study: Study, target: IO[bytes], *, made_at: datetime, arms: Arms | None, told: Told
) -> list[Packed]:
    """Write the ZIP to `target` and return its files; `told(stage, rows)` hears how far it is, and may raise to stop."""
    archive = Archive(target)
    described: list[tuple[str, str, str, tuple[Column, ...]]] = []
    for table in export_tables():
        _source(archive, study, table, told)
        described.append((table.text.name, table.text.row, table.text.key, table.columns))
    for name, rows in _derived(study, arms):
        text = derived()[name]
        _csv(
            archive,
            study,
            name,
            text.row,
            text.key,
            text.columns,
            rows,
            partial(_still, told, f"{name}.csv"),
        )
        described.append((name, text.row, text.key, text.columns))
    fhir_files(study, archive, lambda name: told(name, 0))
    _around(archive, study, described, made_at, opened=arms is not None)
    archive.close()
    return archive.files


def _still(told: Told, name: str, _rows: int) -> None:
    told(name, 0)  # made from rows that were counted already


def _source(archive: Archive, study: Study, table: Table, told: Told) -> None:
    text = table.text
    rows = (tuple(map(cell, row)) for row in table.stream(study))
    _csv(
        archive,
        study,
        text.name,
        text.row,
        text.key,
        table.columns,
        rows,
        lambda n: told(f"{text.name}.csv", n),
    )


def _csv(
    archive: Archive, study: Study, name: str, row: str, key: str, columns: Iterable[Column],
    rows: Iterable[tuple[str, ...]], told: Callable[[int], None],
) -> None:  # fmt: skip
    """Write one table; the cells are safe already. `told` hears of every STEP rows."""
    count, people = 0, set()
    with archive.page(f"{name}.csv") as page:
        page.write(about_export(study, row=row, key=key))
        headers = [column.name for column in columns]
        page.write(csv_line(headers))
        code = headers.index("code") if "code" in headers else None
        for cells in rows:
            page.write(_line(cells))
            count += 1
            if code is not None and cells[code]:
                people.add(cells[code])
            if count % STEP == 0:
                told(STEP)
        told(count % STEP)
    archive.files[-1].rows = count
    archive.files[-1].people = None if code is None else len(people)


def _line(cells: Iterable[str]) -> str:
    """Return one row of CSV (RFC 4180); quoting every cell keeps it quick and leaves nothing to guess."""
    return ",".join('"' + text.replace('"', '""') + '"' if text else "" for text in cells) + "\r\n"


def _derived(study: Study, arms: Arms | None) -> Iterator[tuple[str, Iterator[tuple[str, ...]]]]:
    yield "people", _cells("people", people_rows(study))
    yield "answers", _cells("answers", _answers(study))
    yield "medicines", _cells("medicines", _medicines(study))
    if arms is not None:
        found = (
            {"code": code, "number": number, "arm": arm}
            for code, (number, arm) in sorted(arms.items())
        )
        yield "arms", _cells("arms", found)


def _cells(name: str, rows: Iterable[Mapping[str, Any]]) -> Iterator[tuple[str, ...]]:
    headers = [column.name for column in derived()[name].columns]
    return (tuple(cell(row.get(header)) for header in headers) for row in rows)


def _sittings(study: Study) -> Iterator[dict[str, Any]]:
    table = next(one for one in export_tables() if one.text.name == "answer_sets")
    names = [column.name for column in table.columns]
    return (dict(zip(names, row, strict=True)) for row in table.stream(study))


def _answers(study: Study) -> Iterator[dict[str, Any]]:
    for sitting in _sittings(study):
        for question, said in sorted(sitting["answers"].items()):
            yield {
                "code": sitting["code"],
                "answer_set_id": sitting["id"],
                "question": question,
            } | said


def _medicines(study: Study) -> Iterator[dict[str, Any]]:
    for sitting in _sittings(study):
        for place, one in enumerate(sitting["medicines"], start=1):
            yield one | {"code": sitting["code"], "answer_set_id": sitting["id"], "place": place}


def _around(
    archive: Archive, study: Study, described: list[tuple[str, str, str, tuple[Column, ...]]],
    made_at: datetime, *, opened: bool,
) -> None:  # fmt: skip
    """Write what describes the tables: dictionary, list of tables, note, manifest, check and hashes."""
    packed = {one.name: one for one in archive.files}
    archive.text("tables.csv", _tables(study, described, packed))
    archive.text("dictionary.csv", _dictionary(study, described))
    archive.text("README.txt", _note(study, opened=opened))
    archive.text("check.py", Path(check_export.__file__).read_text(encoding="utf-8"))
    state = list_state(study)
    manifest = {
        "format": FORMAT, "study": study.slug, "title": study.title, "made_at": cell(made_at),
        "commitment": state.commitment, "sealed_at": cell(state.sealed_at), "arms_included": opened,
        "files": [asdict(one) for one in archive.files],
    }  # fmt: skip
    archive.text("manifest.json", json.dumps(manifest, indent=1, ensure_ascii=False) + "\n")
    archive.text("SHA256SUMS", "".join(f"{one.sha256}  {one.name}\n" for one in archive.files))


def _tables(study: Study, described: Iterable[Any], packed: Mapping[str, Packed]) -> Iterator[str]:
    yield about_export(study, row="one file of this export", key="file")
    yield csv_line(("file", "one row is", "key", "rows", "people"))
    for name, row, key, _columns in described:
        one = packed[f"{name}.csv"]
        yield _line((one.name, row, key, cell(one.rows), cell(one.people)))


def _dictionary(study: Study, described: Iterable[Any]) -> Iterator[str]:
    yield about_export(study, row="one column of one file", key="file, column")
    yield csv_line(
        ("file", "column", "meaning", "unit", "type", "allowed values", "key", "points at")
    )
    for name, _row, key, columns in described:
        keys = [part.strip() for part in key.split(",")]
        for one in columns:
            kept = (one.meaning, one.unit, one.kind, "; ".join(one.allowed))
            yield _line(
                (f"{name}.csv", one.name, *map(cell, kept), cell(one.name in keys), one.points_at)
            )


def _note(study: Study, *, opened: bool) -> str:
    arms = (
        "arms.csv says what each person was given: the list was opened before this export."
        if opened
        else "Nothing in here tells what anybody was given: the list is sealed."
    )
    return (
        f"{study.title}\n\n"
        "Volunteers stand here by code, never by name. " + arms + "\n"
        "tables.csv says for each file what one row is, its key, and how many rows and people it has; dictionary.csv what\n"
        "each column means. The lines that begin with # at the head of each file are to be read past.\n"
        "people.csv has one row for each person. Other files have several, or none: bring them to one row per person\n"
        "before you join them, and ask python3 check.py --merged YOUR_FILE.csv afterwards.\n"
        "python3 check.py compares every file with SHA256SUMS and joins every file with people.csv.\n"
        "use_after_withdrawal says who asked that their data are not used further (no_use). They stand in here, flagged, because\n"
        "the record is kept whole; leave them out of analyses unless law or the ethics committee decided otherwise.\n"
        "All times are UTC. An empty cell is a value that is not there. Text that a spreadsheet would take for a formula has\n"
        "an apostrophe in front. Corrections are rows of their own: supersedes_id names the row that no longer counts.\n"
        "fhir/ holds the same people, consents, values and events as FHIR R5 resources, one a line.\n"
        "Not in here: contact details, personal links, the sealed list, the pharmacist's account of the kits, the calendar\n"
        "of rooms and staff, and the record of who did what, which has a file of its own.\n"
    )
