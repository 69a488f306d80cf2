"""What may only be added stays as it was written; what may change leaves its history. Attacked by SQL."""

from typing import Any

import pytest
from django.apps import apps
from django.db import DatabaseError, connection, models, transaction

from studylab.access import system_actor
from studylab.audit.models import RowChange
from studylab.db import service
from studylab.people.models import User
from tests.guards import guards_off

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def guarded_by(*names: str) -> list[type[models.Model]]:
    return [
        model
        for model in apps.get_models()
        if {trigger.name for trigger in getattr(model._meta, "triggers", [])} & set(names)
    ]


APPEND_ONLY = guarded_by("append_only")
STAYING = guarded_by("append_only", "never_deleted")
WITH_HISTORY = guarded_by("history_update")


def one_row(model: type[models.Model]) -> None:
    """Put one row into the table, whatever it holds: the guards must not depend on the content."""
    columns, values = [], []
    for field in model._meta.concrete_fields:
        if isinstance(field, models.AutoField):
            continue
        columns.append(f'"{field.column}"')
        values.append(_filler(field))
    table = model._meta.db_table
    with guards_off(table) as cursor:
        _drop_checks(cursor, table)
        cursor.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join(values)}) RETURNING *"
        )
        assert cursor.rowcount == 1


def _drop_checks(cursor: Any, table: str) -> None:
    """Take away what restricts the content of the row; rolled back with the test."""
    cursor.execute(
        "SELECT conname FROM pg_constraint WHERE conrelid = %s::regclass AND contype = 'c'", [table]
    )
    for (name,) in cursor.fetchall():
        cursor.execute(f'ALTER TABLE {table} DROP CONSTRAINT "{name}"')


def _filler(field: Any) -> str:
    kind = field.db_type(connection) or ""
    if field.null:
        return "NULL"
    if kind.endswith("[]"):
        return "'{}'"
    known = {
        "uuid": "gen_random_uuid()", "jsonb": "'{}'", "boolean": "false", "date": "'2026-01-05'",
        "timestamp with time zone": "now()", "bytea": "'x'", "text": "'x'", "inet": "'::1'",
        "time": "'12:00'", "interval": "'1 hour'", "tstzrange": "tstzrange(now(), now() + '1 hour')",
        "daterange": "daterange('2026-01-05', '2026-01-06')",
    }  # fmt: skip
    if kind in known:
        return known[kind]
    return "'x'" if kind.startswith("varchar") else "1"


def refused(sql: str) -> str:
    with (
        pytest.raises(DatabaseError) as refusal,
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(sql)
    return str(refusal.value)


def some_column(model: type[models.Model]) -> str:
    return next(field.column for field in model._meta.concrete_fields if not field.primary_key)


def label(model: type[models.Model]) -> str:
    return model._meta.label


def test_the_tables_that_prove_things_are_among_them() -> None:
    """The lists above come from the models; were they empty, the tests below would prove nothing."""
    names = {model._meta.label for model in APPEND_ONLY}
    assert {"audit.Event", "audit.Link", "audit.RowChange", "people.Signature"} <= names
    assert {"people.Membership", "people.User", "studies.Study", "studies.ProtocolVersion"} <= {
        model._meta.label for model in STAYING
    }
    assert len(APPEND_ONLY) >= 8
    assert len(STAYING) >= 15


@pytest.mark.parametrize("model", APPEND_ONLY, ids=label)
@pytest.mark.shows("A-03", "V-16.4.2")
def test_rows_that_may_only_be_added_are_not_changed(model: type[models.Model]) -> None:
    one_row(model)
    column = some_column(model)
    assert "Cannot update" in refused(f'UPDATE {model._meta.db_table} SET "{column}" = "{column}"')


@pytest.mark.parametrize("model", STAYING, ids=label)
def test_rows_that_stay_are_not_deleted(model: type[models.Model]) -> None:
    one_row(model)
    assert "Cannot" in refused(f"DELETE FROM {model._meta.db_table}")


@pytest.mark.parametrize("model", STAYING, ids=label)
@pytest.mark.parametrize("how", ["", "CASCADE"])
@pytest.mark.shows("A-03", "V-16.4.2")
def test_tables_are_not_emptied(model: type[models.Model], how: str) -> None:
    text = refused(f"TRUNCATE {model._meta.db_table} {how}")
    assert "cannot be emptied" in text or "referenced in a foreign key" in text


@pytest.mark.parametrize("model", WITH_HISTORY, ids=label)
@pytest.mark.shows("A-01")
def test_every_row_with_history_notes_a_change(model: type[models.Model]) -> None:
    triggers = {trigger.name for trigger in model._meta.triggers}  # type: ignore[attr-defined]
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT tgenabled FROM pg_trigger WHERE tgrelid = %s::regclass AND tgname LIKE %s",
            [model._meta.db_table, "pgtrigger_history_update%"],
        )
        assert cursor.fetchall() == [("O",)]
    assert triggers & {"never_deleted", "history_delete"}


@pytest.mark.shows("A-02")
def test_a_change_by_plain_sql_is_kept_old_and_new(study: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE studies_study SET title = 'Another' WHERE id = %s", [study.pk])
    change = RowChange.objects.get(table_name="studies_study", row_id=study.pk)
    assert change.operation == "UPDATE"
    assert change.old is not None
    assert change.new is not None
    assert (change.old["title"], change.new["title"]) == (study.title, "Another")
    assert change.old["slug"] == change.new["slug"] == study.slug
    assert change.actor == ""  # nobody: a write past the services shows as one


def test_an_update_that_changes_nothing_leaves_nothing(study: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute("UPDATE studies_study SET title = title WHERE id = %s", [study.pk])
    assert not RowChange.objects.exists()


@pytest.mark.django_db(transaction=True)
@pytest.mark.shows("A-01")
def test_a_change_by_a_service_names_the_actor(study: Any) -> None:
    actor = system_actor("renaming")

    @service
    def rename(*, actor: Any) -> None:
        study.title = "Renamed"
        study.save(update_fields=["title"])

    rename(actor=actor)
    change = RowChange.objects.get(table_name="studies_study")
    assert (change.actor, change.request) == (actor.label, str(actor.request_id))
    with connection.cursor() as cursor:  # the name ends with the transaction
        cursor.execute("UPDATE studies_study SET title = 'Late' WHERE id = %s", [study.pk])
    assert RowChange.objects.order_by("-id").values_list("actor", flat=True)[0] == ""


def test_history_of_passwords_is_not_kept(coordinator: Any) -> None:
    coordinator.set_password("another long password")
    coordinator.save()
    assert not RowChange.objects.filter(table_name=User._meta.db_table).exists()


def test_the_sealed_text_of_a_protocol_version_stays(study: Any) -> None:
    for change in ("document = 'x'", "sha256 = 'x'", "number = 9"):
        assert "Cannot update" in refused(f"UPDATE studies_protocolversion SET {change}")
