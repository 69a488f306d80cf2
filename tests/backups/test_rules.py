"""When a backup is due, which files may go, and how the status line judges what is known."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from studylab.backups.rules.content import Sums, schema_differences, sum_differences
from studylab.backups.rules.gap import pause_text
from studylab.backups.rules.keeping import is_due, may_go, trial_is_due
from studylab.backups.rules.line import Known, backup_line
from studylab.operation.rules.status import Line

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
DAY = timedelta(days=1)


def ago(**span: float) -> datetime:
    return NOW - timedelta(**span)


@pytest.mark.parametrize(
    ("good", "vain", "due"),
    [
        (None, None, True),
        (ago(hours=23), None, False),
        (ago(hours=24), None, True),
        (ago(hours=30), ago(minutes=50), False),  # not again and again
        (ago(hours=30), ago(minutes=60), True),
        (None, ago(minutes=1), False),
        (ago(hours=1), ago(hours=2), False),
    ],
)
def test_when_a_backup_is_due(good: datetime | None, vain: datetime | None, due: bool) -> None:
    assert is_due(good, vain, DAY, NOW) is due


def test_a_pause_is_told_in_the_studys_own_time() -> None:
    words = pause_text(ago(hours=5), NOW, ZoneInfo("America/Halifax"))
    assert words.startswith(
        "the site was restored on Wed 25 Nov 2026, 08:00 AST to how it stood on Wed 25 Nov 2026, 03:00 AST."
    )


def test_when_one_is_tried() -> None:
    assert trial_is_due(None, 7 * DAY, NOW)
    assert trial_is_due(ago(minutes=1), timedelta(0), NOW), "each one"
    assert trial_is_due(ago(days=6, hours=23), 7 * DAY, NOW), "minutes put nothing off for a day"
    assert not trial_is_due(ago(days=6), 7 * DAY, NOW)


def test_the_newest_stay_and_the_newest_that_was_tried() -> None:
    names = [f"studylab-2026112{day}T020000Z.backup" for day in range(10)]
    assert may_go(names, 3, set()) == names[6::-1]
    assert may_go(names, 3, {names[1], names[2]}) == [names[one] for one in (6, 5, 4, 3, 1, 0)]
    assert may_go(names, 3, {names[8]}) == names[6::-1]
    assert may_go(names[:2], 3, set()) == []


def line(*, is_on: bool = True, in_production: bool = True, **known: Any) -> Line:
    given = {"at": ago(hours=3), "size": 5_000_000, "place": "on lab, /b/x", "trial": "same", "tried_at": ago(hours=3), **known}  # fmt: skip
    return backup_line(
        Known(**given), NOW, is_on=is_on, in_production=in_production, every=DAY, tried_every=DAY
    )  # fmt: skip


@pytest.mark.parametrize(
    ("state", "word", "given"),
    [
        ("ok", "3 hours ago, 4.8 MiB", {}),
        ("wrong", "None made yet", {"at": None, "tried_at": None, "trial": ""}),
        ("look", "None made yet", {"at": None, "tried_at": None, "trial": "", "in_production": False}),
        ("wrong", "The disk is full.", {"at": None, "in_production": False, "vain_at": ago(hours=1), "trouble": "The disk is full."}),
        ("wrong", "3 hours ago", {"is_on": False}),
        ("look", "3 hours ago", {"is_on": False, "in_production": False}),
        ("ok", "26 hours ago", {"at": ago(hours=26)}),
        ("look", "27 hours ago", {"at": ago(hours=27)}),
        ("wrong", "51 hours ago", {"at": ago(hours=51)}),
        ("look", "No space.", {"vain_at": ago(hours=1), "trouble": "No space."}),
        ("ok", "3 hours ago", {"vain_at": ago(hours=5), "trouble": "No space."}),
        ("wrong", "That file is gone", {"is_gone": True}),
        ("wrong", "Other rows.", {"trial": "differs", "trial_problem": "Other rows."}),
        ("look", "found the same", {"trial": "not_begun", "trial_problem": "May not create."}),
        ("look", "no backup was restored", {"trial": "", "tried_at": None}),
        ("look", "found the same", {"tried_at": ago(days=11)}),
    ],
)  # fmt: skip
def test_the_line(state: str, word: str, given: dict[str, Any]) -> None:
    found = line(**given)
    assert (found.state.value, word in found.text) == (state, True), found
    assert bool(found.todo) == (state != "ok")


def test_what_differs_is_named() -> None:
    want = {"a": Sums(3, "x"), "b": Sums(1, "y"), "c": Sums(0, "z")}
    assert sum_differences(want, want) == []
    assert sum_differences(want, {"a": Sums(2, "x"), "b": Sums(1, "other")}) == [
        "a has 2 rows, the backup 3.",
        "b has as many rows as the backup, but not the same ones.",
        "c was not restored.",
    ]
    assert schema_differences(["index i", "trigger t"], ["index i", "column c"]) == [
        "Missing in the restored database: trigger t",
        "Not in the database that was backed up: column c",
    ]
