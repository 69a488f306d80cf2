"""Old and new values behind events of the trail, in words of the dictionary of exports.

Two sources: what the history triggers kept of a row that changed, found by the request that wrote both, and a correction,
which is a row of its own beside the one it stands in for. Only tables and columns that may leave the house are shown.
"""

import json
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from studylab.audit.actions import Action
from studylab.audit.models import Event, RowChange
from studylab.reports.rules.cells import cell
from studylab.reports.selectors.export_tables import Table, export_tables

_CORRECTIONS = {
    Action.VITALS_CORRECTED: "vital_sets", Action.CHECK_CORRECTED: "checks", Action.STEP_CORRECTED: "steps",
    Action.DOSE_CORRECTED: "doses", Action.CONSENT_CORRECTED: "consents", Action.EVENT_CORRECTED: "event_entries",
    Action.EVENT_ADDED_TO: "event_entries", Action.EVENT_JUDGED: "event_entries",
    Action.ANSWERS_RECORDED: "answer_sets",
}  # fmt: skip
# Of a correction itself, not of what it corrects.
_OWN = {
    "id", "uid", "recorded_at", "recorded_by_id", "supersedes_id", "reason", "client_id", "device_at", "why", "note",
    "consent_id",
}  # fmt: skip
_SAME_ACT = timedelta(seconds=2)  # between the correction's row and its event


@dataclass(frozen=True, slots=True)
class Change:
    """One value: what it is, as it was, as it is. Empty text: not there."""

    what: str
    old: str
    new: str


def changes_of(events: Sequence[Event]) -> dict[int, list[Change]]:
    """Return what each event changed, by the event's key; events that changed nothing are left out."""
    found: dict[int, list[Change]] = defaultdict(list)
    by_request: dict[str, list[Event]] = defaultdict(list)
    for event in events:
        by_request[str(event.request_id)].append(event)
    tables = {table.model._meta.db_table: table for table in export_tables()}
    rows = RowChange.objects.filter(
        request__in=list(by_request), table_name__in=tables, operation="UPDATE"
    )
    for row in rows.order_by("id"):
        event = _event_of(row, by_request[row.request])
        found[event.pk] += _kept(tables[row.table_name], row.old or {}, row.new or {})
    for name in {_CORRECTIONS[action] for action in _actions(events)}:
        for event, old, new in _corrections(name, events):
            found[event.pk] += _kept(_table(name), old, new, leaving=_OWN)
    return {key: changes for key, changes in found.items() if changes}


def said(changes: Iterable[Change]) -> str:
    """Return changes as one line of text for a table's cell."""
    return "; ".join(f"{one.what}: “{one.old}” → “{one.new}”" for one in changes)


def _event_of(row: RowChange, events: list[Event]) -> Event:
    """Return the event of the request that is about this very row, or its first."""
    marks = {str((row.new or {}).get(key)) for key in ("uid", "code")}
    return next(
        (one for one in events if one.subject_code in marks), min(events, key=lambda one: one.pk)
    )


def _kept(
    table: Table, old: dict[str, Any], new: dict[str, Any], leaving: Iterable[str] = ()
) -> list[Change]:
    return [
        Change(column.meaning, _text(old.get(path)), _text(new.get(path)))
        for column, path in zip(table.columns, table.paths, strict=True)
        if column.name not in leaving and path in new and old.get(path) != new.get(path)
    ]


def _text(value: Any) -> str:
    if isinstance(value, str):
        return value
    return json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else cell(value)


def _actions(events: Iterable[Event]) -> set[Action]:
    return {Action(one.action) for one in events if one.action in _CORRECTIONS}


def _table(name: str) -> Table:
    return next(one for one in export_tables() if one.text.name == name)


def _corrections(
    name: str, events: Sequence[Event]
) -> Iterable[tuple[Event, dict[str, Any], dict[str, Any]]]:
    """Yield each correcting event with the values before and after it."""
    table = _table(name)
    mine = [one for one in events if _CORRECTIONS.get(Action(one.action)) == name] if events else []
    way = f"{table.text.person}code"
    paths = [path for path in table.paths if path != "consent_id"]
    rows = table.model._default_manager.filter(
        **{
            table.text.study: mine[0].study_id, f"{way}__in": {one.participant_code for one in mine},
            "supersedes__isnull": False,
        }
    ).values(way, *paths, *(f"supersedes__{path}" for path in paths))  # fmt: skip
    for row in rows:
        for event in mine:
            near = abs(row["recorded_at"] - event.at) <= _SAME_ACT
            if near and row[way] == event.participant_code:
                yield (
                    event,
                    {path: row[f"supersedes__{path}"] for path in paths},
                    {p: row[p] for p in paths},
                )
                break
