"""What may be recorded at a step: what is kept, and what is refused with its field and the fix."""

from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.rules.step_values import (
    DOCUMENTS,
    clean_value,
    said_value,
    timer_end,
)
from scheduling.rules.value_problem import ValueProblem
from studylab.studies.rules.protocol import Step

STEPS = {
    "identity": Step("identity", "identity", "Check."),
    "tick": Step("tick", "tick", "Sensors on."),
    "read_aloud": Step("words", "read_aloud", "Please watch."),
    "choice": Step("choice", "choice", "How?", options=("complete", "stopped")),
    "number": Step("cm", "number", "Distance.", unit="cm", minimum=40, maximum=100),
    "text": Step("note", "text", "Anything?"),
    "label": Step("set", "label", "Scan."),
    "timer": Step("break", "timer", "Break.", minutes=5),
}
SEEN = {"identifiers": ["birth date", "name"], "document": " identity  card "}


@pytest.mark.parametrize(
    ("kind", "raw", "kept"),
    [
        ("identity", SEEN, {"identifiers": ["name", "birth date"], "document": "identity card"}),
        ("tick", {"done": True, "more": 1}, {"done": True}),
        ("read_aloud", {"done": True}, {"done": True}),
        ("choice", {"value": "complete"}, {"value": "complete"}),
        ("number", {"value": "62,5"}, {"value": 62.5}),
        ("number", {"value": 40}, {"value": 40.0}),
        ("number", {"value": 100}, {"value": 100.0}),
        ("text", {"value": " two lines\nkept "}, {"value": "two lines\nkept"}),
        ("label", {"value": " SET 7 "}, {"value": "SET 7"}),
        (
            "timer",
            {"started_at": "2026-03-03T10:00:00-04:00"},
            {"started_at": "2026-03-03T14:00:00+00:00"},
        ),
    ],
)
def test_kept(kind: str, raw: dict[str, Any], kept: dict[str, Any]) -> None:
    assert clean_value(STEPS[kind], raw) == kept


@pytest.mark.parametrize(
    ("kind", "raw", "field", "says"),
    [
        (
            "identity",
            {"identifiers": ["name"], "document": "passport"},
            "identifiers",
            "at least two",
        ),
        (
            "identity",
            {"identifiers": ["name", "name"], "document": "passport"},
            "identifiers",
            "two",
        ),
        ("identity", {"identifiers": "name, birth date", "document": "x"}, "identifiers", "two"),
        ("identity", {"identifiers": ["name", "chair"], "document": "x"}, "identifiers", "chair"),
        ("identity", {"identifiers": ["name", "birth date"]}, "document", "document"),
        ("identity", {**SEEN, "document": "passport 12 34 56"}, "document", "never its number"),
        ("tick", {"done": False}, "done", "skip"),
        ("tick", {"done": "yes"}, "done", "skip"),
        ("read_aloud", {}, "done", "skip"),
        ("choice", {"value": "other"}, "value", "complete, stopped"),
        ("choice", {}, "value", "complete"),
        ("number", {"value": 39.99}, "value", "at least 40 cm"),
        ("number", {"value": 100.01}, "value", "at most 100 cm"),
        ("number", {"value": "nan"}, "value", "number (cm)"),
        ("number", {"value": "1e999"}, "value", "number"),
        ("number", {"value": True}, "value", "number"),
        ("number", {"value": None}, "value", "number"),
        ("number", {"value": 10**400}, "value", "number"),
        ("text", {"value": "  "}, "value", "Write"),
        ("text", {"value": "x" * 2001}, "value", "2000"),
        ("label", {"value": ["a"]}, "value", "Scan"),
        ("label", {"value": "x" * 61}, "value", "60"),
        ("timer", {"started_at": "2026-03-03T10:00:00"}, "started_at", "Start it again"),
        ("timer", {"started_at": "soon"}, "started_at", "Start it again"),
        ("timer", {}, "started_at", "Start it again"),
    ],
)
def test_refused(kind: str, raw: dict[str, Any], field: str, says: str) -> None:
    with pytest.raises(ValueProblem) as refused:
        clean_value(STEPS[kind], raw)
    assert refused.value.field == field
    assert says in refused.value.message


@pytest.mark.parametrize("kind", ["questions", "vitals", "dose", "leave"])
def test_steps_with_their_own_page_are_refused_here(kind: Any) -> None:
    with pytest.raises(ValueProblem, match=r"page|check"):
        clean_value(Step("x", kind, "X."), {"done": True})


def test_nothing_entered_is_refused() -> None:
    with pytest.raises(ValueProblem, match="Nothing"):
        clean_value(STEPS["tick"], None)


def test_a_number_without_bounds_takes_any() -> None:
    assert clean_value(Step("n", "number", "N"), {"value": -5}) == {"value": -5.0}


@given(st.sampled_from(sorted(STEPS)), st.dictionaries(
    st.sampled_from(["value", "done", "started_at", "identifiers", "document"]),
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.text()),
))  # fmt: skip
def test_anything_is_kept_or_refused_and_what_is_kept_is_kept_again(
    kind: str, raw: dict[str, Any]
) -> None:
    kept = kept_or_problem(kind, raw)
    if isinstance(kept, ValueProblem):
        assert kept.field in {"value", "done", "started_at", "identifiers", "document"}
        assert kept.message.endswith(".")
    else:
        assert kept_or_problem(kind, kept) == kept


def kept_or_problem(kind: str, raw: dict[str, Any]) -> dict[str, Any] | ValueProblem:
    try:
        return clean_value(STEPS[kind], raw)
    except ValueProblem as problem:
        return problem


@pytest.mark.parametrize(
    ("kind", "value", "words"),
    [
        ("number", {"value": 62.0}, "62 cm"),
        ("number", {"value": 62.5}, "62.5 cm"),
        ("choice", {"value": "complete"}, "complete"),
        ("tick", {"done": True}, "done"),
        ("identity", {"identifiers": ["name", "birth date"], "document": DOCUMENTS[0]},
         "name and birth date, passport"),
        ("timer", {"started_at": "2026-03-03T14:00:00+00:00"}, "started"),
        ("tick", {}, ""),
    ],
)  # fmt: skip
def test_words(kind: str, value: dict[str, Any], words: str) -> None:
    assert said_value(STEPS[kind], value) == words


def test_a_timer_counts_elapsed_time_over_a_clock_change() -> None:
    # Halifax goes from UTC-3 to UTC-4 at 05:00 UTC on 1 November 2026 (IANA time zone database).
    started = {"started_at": "2026-11-01T01:58:00-03:00"}
    assert timer_end(STEPS["timer"], started) == datetime(2026, 11, 1, 5, 3, tzinfo=UTC)
    assert timer_end(STEPS["tick"], {"done": True}) is None
