"""The dictionary of the export: nothing of a table is left out without a word; cells read back as they were."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from studylab.reports.rules.cells import cell, plain
from studylab.reports.selectors.export_tables import export_tables


def test_every_column_of_a_table_is_exported_or_kept_back_with_a_reason() -> None:
    for table in export_tables():
        own = {field.name for field in table.model._meta.local_concrete_fields}
        said = {field.name for field in table.fields if field is not None} | set(
            table.text.kept_back
        )
        if table.text.person == "participant__":
            said.add("participant")
        assert said == own, table.text.name
        assert all(table.text.kept_back.values())


def test_what_a_column_points_at_comes_before_it() -> None:
    """So that the files can be read in again in their order; only a correction points into its own file."""
    seen: list[str] = []
    for table in export_tables():
        seen.append(f"{table.text.name}.csv")
        assert {column.points_at for column in table.columns} <= {"", *seen}, table.text.name


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, ""),
        (True, "true"),
        (-3, "-3"),
        (Decimal("40.00"), "40.00"),
        (datetime(2026, 11, 1, 5, 30, 0, 250, tzinfo=UTC), "2026-11-01T05:30:00.000250Z"),
        (date(2026, 11, 1), "2026-11-01"),
        (timedelta(hours=20), "72000"),
        (timedelta(seconds=-1.5), "-1.5"),
        ({"b": 1, "a": ["é"]}, '{"a": ["é"], "b": 1}'),
        ("=1+1", "'=1+1"),
        ("- none", "'- none"),
        ("it's", "it's"),
    ],
)
def test_cells(value: Any, text: str) -> None:
    assert cell(value) == text
    if isinstance(value, str):
        assert plain(text) == value
