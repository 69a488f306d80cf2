"""Copying rows in SQL: new ids by arithmetic, references moved along, times moved back, identifiers made anew.

The rows of a table that are copied stand numbered in a temporary table. The copy of row `place` in group `n` has the id
base + n x rows + place, so that a reference is worked out without looking for the row it means.
"""

from collections.abc import Iterable, Mapping
from typing import Any, LiteralString, cast

from django.contrib.postgres.fields import DateTimeRangeField
from django.db import connection, models
from django.db.models import Model
from psycopg.sql import SQL

from scheduling.models import Visit
from screening.models import AnswerSet, Assessment, SelfReport
from studylab.management.demo.large.copied import Copied
from studylab.studies.models import ProtocolVersion, Study

_BACK = "g.days * interval '1 day'"


def run(text: str, values: Iterable[Any] = ()) -> int:
    """Run a statement made of our own names; return how many rows it wrote."""
    with connection.cursor() as cursor:
        cursor.execute(text, tuple(values))
        return max(cursor.rowcount, 0)


def copy_in(table: str, columns: str, rows: Iterable[tuple[Any, ...]]) -> int:
    """Write rows in one stream; return how many there were. They are made first: making them may ask the database."""
    made = list(rows)
    text = f"COPY {table} ({columns}) FROM STDIN"
    with (
        connection.cursor() as cursor,
        cursor.cursor.copy(SQL(cast("LiteralString", text))) as copy,
    ):
        for row in made:
            copy.write_row(row)
    return len(made)


def place_table(model: type[Model]) -> str:
    """Return the name of the temporary table that numbers the rows of a model."""
    return f"large_{model._meta.db_table}"


class Rows:
    """Writes copies of rows for the groups and people that stand in the temporary tables.

    `large_group` holds one study's groups (n, key, days, lane, live, study_id, version_id), `large_person` the
    volunteers of each group by their place in the story.
    """

    def __init__(self) -> None:
        self._count: dict[type[Model], int] = {}
        self._base: dict[type[Model], int] = {}
        self._grown: dict[type[Model], int] = {}
        self._counted: dict[type[Model], int] = {}
        self.written = 0

    def number(self, model: type[Model], found: Iterable[tuple[int, int]]) -> None:
        """Number the rows of a table, given with the place of their volunteer."""
        name = place_table(model)
        run(f"CREATE TEMPORARY TABLE {name} (old bigint PRIMARY KEY, place int, owner int)")
        rows = [(old, place, owner) for place, (old, owner) in enumerate(sorted(found))]
        copy_in(name, "old, place, owner", rows)
        run(f"ANALYZE {name}")
        self._count[model] = len(rows)

    def begin(self) -> None:
        """Look where the ids of each table go on: before each study."""
        for model in self._count:
            with connection.cursor() as cursor:
                cursor.execute(f'SELECT COALESCE(max(id), 0) + 1 FROM "{model._meta.db_table}"')  # noqa: S608
                self._base[model] = cursor.fetchone()[0]

    def id_of(self, model: type[Model], n: int, place: int) -> int:
        """Return the id of a copy."""
        return self._base[model] + n * self._count[model] + place

    def reference(self, model: type[Model], old: str) -> str:
        """Return the SQL for the id of the copy of row `old`; null where that is not copied."""
        base, count = self._base[model], self._count[model]
        return f"(SELECT {base} + g.n * {count} + m.place FROM {place_table(model)} m WHERE m.old = {old})"  # noqa: S608

    def copy(self, copied: Copied, names: Mapping[str, str]) -> int:
        """Write the copies of a table's rows; `names` are further pieces of SQL for its columns."""
        model = copied.model
        table, count = model._meta.db_table, self._count[model]
        if not count:
            return 0
        fields = [f for f in model._meta.concrete_fields if f.column != "transaction_id"]
        values = [self._value(copied, f, names) for f in fields]
        columns = ", ".join(f'"{f.column}"' for f in fields)
        made = run(
            f'INSERT INTO "{table}" ({columns}) SELECT {", ".join(values)}'  # noqa: S608
            f" FROM large_group g CROSS JOIN {place_table(model)} k"
            f' JOIN "{table}" t ON t.id = k.old JOIN large_person p ON p.n = g.n AND p.place = k.owner'
            f" WHERE {copied.where} ORDER BY g.n, k.place"
        )
        run(
            f"SELECT setval(pg_get_serial_sequence('\"{table}\"', 'id'), (SELECT max(id) FROM \"{table}\"))"  # noqa: S608
        )
        self.written += made
        self._look(model, made)
        return made

    def _look(self, model: type[Model], made: int) -> None:
        """Have the database count a table that doubled: guards keep the plans that suited it while it was small."""
        self._grown[model] = self._grown.get(model, 0) + made
        if self._grown[model] > 2 * self._counted.get(model, 0):
            run(f'ANALYZE "{model._meta.db_table}"')
            self._counted[model] = self._grown[model]

    def send_reports(self) -> None:
        """Send the copied questionnaires that were sent in the story."""
        own = f"{self._base[SelfReport]} + g.n * {self._count[SelfReport]} + k.place"
        run(
            f"UPDATE screening_selfreport r SET sent_at = t.sent_at - {_BACK},"  # noqa: S608
            f" answer_set_id = {self.reference(AnswerSet, 't.answer_set_id')}"
            f" FROM large_group g CROSS JOIN {place_table(SelfReport)} k"
            " JOIN screening_selfreport t ON t.id = k.old JOIN large_person p ON p.n = g.n AND p.place = k.owner"
            f" WHERE r.id = {own} AND t.sent_at IS NOT NULL"
        )

    def _value(
        self, copied: Copied, column: "models.Field[Any, Any]", names: Mapping[str, str]
    ) -> str:
        model, old = copied.model, f't."{column.column}"'
        given = copied.columns.get(str(column.column))
        if given is not None:
            for name, text in names.items():
                given = given.replace(f"{{{name}}}", text)
            return given
        if column.primary_key:
            return f"{self._base[model]} + g.n * {self._count[model]} + k.place"
        if column.is_relation:
            return self._related(cast("type[Model]", column.related_model), old)
        match column:
            case models.UUIDField():
                return f"md5({old}::text || g.key)::uuid"
            case models.DateTimeField():
                return f"{old} - {_BACK}"
            case models.DateField():
                return f"{old} - g.days"
            case DateTimeRangeField():
                return f"tstzrange(lower({old}) - {_BACK}, upper({old}) - {_BACK}, '[)')"
        return old

    def _related(self, model: type[Model], old: str) -> str:
        if model in self._count:
            return self.reference(model, old)
        return {Study: "g.study_id", ProtocolVersion: "g.version_id"}.get(model, old)


def names_for(rows: Rows) -> dict[str, str]:
    """Return the pieces of SQL that columns of copied tables name."""
    spoken = "substring(t.about FROM '^visit:(\\d+)')::bigint"
    return {
        "place": "(SELECT l.place FROM large_place l WHERE l.lane = g.lane AND l.old = t.place_id)",
        "visit": f"{rows.reference(Visit, spoken)}::text",
        "assessment": rows.reference(Assessment, "t.subject_code::bigint"),
    }
