"""The FHIR files of an export: one resource a line, made from the same rows as the CSV files."""

import json
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from screening.rules.table import load_table
from studylab.audit.history import STANDS
from studylab.participants.models import EventEntry
from studylab.reports.rules import fhir
from studylab.reports.rules.archive import Archive
from studylab.reports.selectors.export_tables import CHUNK, Table, export_tables
from studylab.studies.models import Study
from studylab.studies.selectors import newest_version, plan_of

_ENTRY = (
    "event_id", "term", "what", "grade", "criteria", "expected", "outcome", "started_at", "aware_at", "in_error",
    "recorded_at",
)  # fmt: skip


def fhir_files(study: Study, archive: Archive, told: Callable[[str], None]) -> None:
    """Write one file of lines for each kind of resource."""
    for kind, resources in _kinds(study):
        name = f"fhir/{kind}.ndjson"
        told(name)
        archive.text(name, (json.dumps(one, ensure_ascii=False) + "\n" for one in resources))


def _kinds(study: Study) -> Iterator[tuple[str, Iterable[fhir.Resource]]]:
    slug = study.slug
    yield "ResearchStudy", [fhir.research_study(vars(study))]
    yield "Patient", (fhir.patient(row) for row, _ in _rows(study, "volunteers"))
    yield (
        "ResearchSubject",
        (fhir.research_subject(slug, row) for row, _ in _rows(study, "volunteers")),
    )
    yield "Consent", (fhir.consent(row, replaced=gone) for row, gone in _rows(study, "consents"))
    yield "Questionnaire", _questions(study)
    yield (
        "QuestionnaireResponse",
        (
            fhir.questionnaire_response(slug, row, replaced=gone)
            for row, gone in _rows(study, "answer_sets")
        ),
    )
    yield (
        "Observation",
        (
            one
            for row, gone in _rows(study, "vital_sets")
            for one in fhir.observations(row, replaced=gone)
        ),
    )
    yield "Appointment", (fhir.appointment(row) for row, _ in _rows(study, "visits"))
    yield (
        "MedicationAdministration",
        (fhir.medication_administration(row, replaced=gone) for row, gone in _rows(study, "doses")),
    )
    yield "AdverseEvent", (fhir.adverse_event(slug, row) for row in _events(study))


def _rows(study: Study, name: str) -> Iterator[tuple[dict[str, Any], bool]]:
    """Yield rows of a table by column, and whether each was corrected since."""
    table = next(one for one in export_tables() if one.text.name == name)
    names = [column.name for column in table.columns]
    gone = _replaced(study, table) if "supersedes_id" in names else frozenset()
    for row in table.stream(study):
        found = dict(zip(names, row, strict=True))
        yield found, found["id"] in gone


def _replaced(study: Study, table: Table) -> frozenset[int]:
    """Return the keys of corrected rows. Corrections are few, so that they fit into memory."""
    corrections = table.model._default_manager.filter(
        **{table.text.study: study.pk, "supersedes__isnull": False}
    )
    return frozenset(corrections.values_list("supersedes_id", flat=True))


def _events(study: Study) -> Iterator[dict[str, Any]]:
    found = EventEntry.objects.filter(STANDS, event__study=study).order_by("event_id")
    for code, state, *values in found.values_list(
        "event__participant__code", "event__state", *_ENTRY
    ).iterator(chunk_size=CHUNK):
        yield dict(zip(_ENTRY, values, strict=True)) | {"code": code, "state": state}


def _questions(study: Study) -> list[fhir.Resource]:
    version = newest_version(study)
    if version is None:
        return []
    table = load_table().for_study(plan_of(version).questions)
    asked = [(row.id, row.text) for row in table.rows if row.kind != "measured"]
    return [fhir.questionnaire(study.slug, table.version, asked)]
