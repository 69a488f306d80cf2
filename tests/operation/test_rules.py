"""How lines of the status are judged. The limits are the house's own; the text-book part is only arithmetic."""

from datetime import UTC, datetime, timedelta

import pytest

from studylab.operation.rules import status
from studylab.operation.rules.status import Process, Queue, State

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def process(name: str, seen: timedelta, *, version: str = "1", stopped: bool = False) -> Process:
    seen_at = NOW - seen
    return Process(name, version, NOW - timedelta(hours=9), seen_at, seen_at if stopped else None)


FRESH = process("a", timedelta(seconds=20))
KILLED = process("b", timedelta(minutes=5))


@pytest.mark.parametrize(
    ("workers", "state", "words"),
    [
        ([], State.WRONG, "No worker has been heard of yet."),
        ([KILLED], State.WRONG, "No worker is alive."),
        ([process("a", timedelta(0), stopped=True)], State.WRONG, "No worker is alive."),
        ([FRESH], State.OK, "1 alive: a."),
        ([FRESH, process("c", timedelta(0))], State.OK, "2 alive: a, c."),
        ([FRESH, KILLED], State.LOOK, "1 alive: a. Gone without a word: b."),
        ([FRESH, process("b", timedelta(minutes=5), stopped=True)], State.OK, "1 alive: a."),
        ([FRESH, process("b", timedelta(hours=2))], State.OK, "1 alive: a."),
        ([process("a", timedelta(0), version="0")], State.LOOK, "Of another version than this page: a."),
    ],
)  # fmt: skip
def test_workers(workers: list[Process], state: State, words: str) -> None:
    line = status.workers_line(workers, "1", NOW)
    assert line.state == state
    assert words in line.text
    assert bool(line.todo) == (state != State.OK)


@pytest.mark.parametrize(
    ("late", "state"),
    [(0, State.OK), (180, State.OK), (181, State.LOOK), (600, State.LOOK), (601, State.WRONG)],
)
def test_a_late_tick_is_told(late: int, state: State) -> None:
    last = NOW - timedelta(seconds=late)
    line = status.tick_line(last, [FRESH], NOW)
    assert line.state == state
    assert line.since == (None if state == State.OK else last)


def test_no_tick_and_two_schedulers() -> None:
    assert status.tick_line(None, [], NOW).state == State.WRONG
    assert status.tick_line(None, [FRESH], NOW).state == State.LOOK, "it has just begun"
    both = status.tick_line(NOW, [FRESH, process("c", timedelta(0))], NOW)
    assert (both.state, "a, c" in both.text) == (State.LOOK, True)


@pytest.mark.parametrize(
    ("waits", "state"), [(0, State.OK), (180, State.OK), (181, State.LOOK), (901, State.WRONG)]
)
def test_the_oldest_of_any_kind_counts(waits: int, state: State) -> None:
    since = NOW - timedelta(seconds=waits)
    line = status.queue_line([Queue("Plans", 0, None), Queue("Exports", 2, since)], NOW)
    assert (line.state, line.since) == (state, since)
    assert "Exports: 2 wait" in line.text
    assert "Plans" not in line.text


@pytest.mark.parametrize(
    ("seconds", "state", "words"),
    [
        (0.05, State.OK, "agree"),
        (0.9, State.OK, "0.9 s ahead of"),
        (-1.5, State.LOOK, "1.5 s behind"),
        (7, State.WRONG, "7.0 s ahead of"),
    ],
)
def test_clocks(seconds: float, state: State, words: str) -> None:
    line = status.clock_line(timedelta(seconds=seconds))
    assert (line.state, words in line.text) == (state, True)


@pytest.mark.parametrize(
    ("free", "state"),
    [
        (6 * 1024**3, State.OK),
        (5 * 1024**3 - 1, State.LOOK),
        (1024**3, State.LOOK),
        (1024**3 - 1, State.WRONG),
    ],
)
def test_disk(free: int, state: State) -> None:
    assert status.disk_line(free, 10 * 1024**3).state == state


@pytest.mark.parametrize(
    ("number", "text"),
    [(0, "0 bytes"), (1023, "1023 bytes"), (1024, "1.0 KiB"), (1536 * 1024, "1.5 MiB"), (2**41, "2.0 TiB")],
)  # fmt: skip
def test_sizes_by_powers_of_1024(number: int, text: str) -> None:
    """IEC 80000-13: kibi 2^10, mebi 2^20, gibi 2^30, tebi 2^40."""
    assert status.size_text(number) == text
