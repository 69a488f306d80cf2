"""The tables of an export as queries: rows as plain tuples, read by the database's own cursor, a chunk at a time."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.apps import apps
from django.db.models import F, Model, OuterRef, Q, QuerySet, Subquery

from studylab.audit.history import STANDS
from studylab.participants.models import Consent
from studylab.people.models import Membership, User
from studylab.reports.rules.dictionary import Column, DictionaryWrong, TableText, tables
from studylab.studies.models import ProtocolVersion, Study

CHUNK = 2000
_KINDS = {
    "DateTimeField": "time", "DateField": "day", "TimeField": "local time", "BooleanField": "yes or no", "JSONField": "JSON",
    "ArrayField": "JSON", "DurationField": "number", "FloatField": "number", "DecimalField": "number",
    "BigAutoField": "number", "IntegerField": "number", "PositiveIntegerField": "number",
    "PositiveSmallIntegerField": "number", "BigIntegerField": "number", "DateTimeRangeField": "time span",
}  # fmt: skip
CONSENT = "consent_id"
_EITHER = {
    "AnswerSet",
    "SignOff",
    "AdverseEvent",
    "ContactNote",
}  # may rest on the agreement to health questions alone


@dataclass(frozen=True, slots=True)
class Table:
    """One table of an export. `fields` are the model's, one per value of a row; None for what is not its own."""

    text: TableText
    model: type[Model]
    columns: tuple[Column, ...]
    paths: tuple[str, ...]
    fields: tuple[Any, ...]

    def rows(self, study: Study) -> QuerySet[Any, tuple[Any, ...]]:
        """Return the study's rows as tuples in the order of `paths`, oldest first."""
        found: QuerySet[Any] = self.model._default_manager.filter(
            self._own(study), **self.text.only
        )
        if self.text.consent:
            found = found.annotate(**{CONSENT: _basis(self)})
        return found.order_by("pk").values_list(*self.paths)

    def stream(self, study: Study) -> Iterator[tuple[Any, ...]]:
        """Yield the rows in constant memory."""
        rows = self.rows(study).iterator(chunk_size=CHUNK)
        return map(self._lightened, rows) if self.text.without else iter(rows)

    def _lightened(self, row: tuple[Any, ...]) -> tuple[Any, ...]:
        """Return the row with the keys taken out that are kept back."""
        return tuple(
            {key: kept for key, kept in value.items() if key not in self.text.without[path]}
            if path in self.text.without and isinstance(value, dict)
            else value
            for path, value in zip(self.paths, row, strict=True)
        )

    def _own(self, study: Study) -> Q:
        if self.model is not User:
            return Q(**{self.text.study: study.pk})
        # Whoever is pointed at belongs in the file, with or without a role in the study.
        return (
            Q(pk__in=Membership.objects.filter(study=study).values("user"))
            | Q(pk__in=Membership.objects.filter(study=study).values("granted_by"))
            | Q(pk__in=ProtocolVersion.objects.filter(study=study).values("added_by"))
        )


@cache
def export_tables() -> tuple[Table, ...]:
    """Return every table of an export."""
    return tuple(_table(text) for text in tables())


def _table(text: TableText) -> Table:
    model = apps.get_model(text.model)
    columns: list[Column] = []
    paths: list[str] = []
    fields: list[Any] = []
    for header, (meaning, unit) in text.columns.items():
        if header == CONSENT:
            field: Any = None
            columns.append(Column(header, meaning, "number", points_at="consents.csv"))
            paths.append(CONSENT)
        elif header == "code" and text.person is not None:
            field = model._meta.get_field("code") if text.person == "" else None
            columns.append(
                Column(
                    header, meaning, "text", points_at="" if text.person == "" else "volunteers.csv"
                )
            )
            paths.append(f"{text.person}code")
        else:
            field = _field(text, model, header)
            columns.append(_column(field, header, meaning, unit))
            paths.append(field.attname)
        fields.append(field)
    return Table(text, model, tuple(columns), tuple(paths), tuple(fields))


def _field(text: TableText, model: type[Model], header: str) -> Any:
    for field in model._meta.local_concrete_fields:
        if field.attname == header:
            return field
    raise DictionaryWrong(f"{text.name}.{header} is no column of the record.")


def _column(field: Any, header: str, meaning: str, unit: str) -> Column:
    allowed = tuple(str(key) for key, _ in field.flatchoices)
    points = file_of(field.related_model) if field.related_model else ""
    kind = "number" if field.related_model else _KINDS.get(field.get_internal_type(), "text")
    return Column(header, meaning, kind, unit, allowed, points)


def file_of(model: Any) -> str:
    """Return the file that holds the rows of a model; "" when none does."""
    label = model._meta.label
    return next((f"{text.name}.csv" for text in tables() if text.model == label), "")


def _basis(table: Table) -> Subquery:
    """Return the consent that a row rests on: the newest of the person given before it and not corrected since."""
    kinds = ["questions", "study"] if table.model.__name__ in _EITHER else ["study"]
    found = Consent.objects.filter(
        STANDS, participant=OuterRef("participant_id"), kind__in=kinds,
        signed_at__lt=OuterRef(table.text.moment),
    ).order_by(F("signed_at").desc(), "-pk")  # fmt: skip
    return Subquery(found.values("pk")[:1])
