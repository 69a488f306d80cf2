"""The loader refuses what is wrong, naming every key and its fix, and never fails otherwise."""

import hashlib
from datetime import date
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.studies.rules.loader import (
    Problem,
    ProtocolInvalid,
    load_protocol,
    protocol_from_data,
    protocol_hash,
)
from studylab.studies.rules.protocol import Protocol
from tests.studies.protocol_breakages import BREAKAGES, DATA, DEMO, GONE, changed, parts, paths_in


def problems_of(data: dict[str, Any]) -> tuple[Problem, ...]:
    """Return what is wrong with `data`; fails when it loads."""
    with pytest.raises(ProtocolInvalid) as caught:
        protocol_from_data(data)
    return caught.value.problems


@pytest.mark.parametrize(
    ("changes", "key", "words"), [row[1:] for row in BREAKAGES], ids=[row[0] for row in BREAKAGES]
)
def test_breakage_is_named_with_its_fix(
    changes: list[tuple[str, Any]], key: str, words: str
) -> None:
    found = [problem for problem in problems_of(changed(*changes)) if problem.key == key]
    assert found, "no problem has the expected key"
    assert any(words in f"{problem.message} {problem.fix}" for problem in found)
    assert all(problem.message.endswith(".") for problem in found)
    assert all(problem.fix.strip() for problem in found)


@pytest.mark.parametrize("name", ["title", "limits", "supply", "waits", "turnaround"])
def test_what_is_missing_causes_no_second_problem(name: str) -> None:
    assert [problem.key for problem in problems_of(changed((name, GONE)))] == [name]


def test_all_problems_are_listed_at_once() -> None:
    data = changed(
        ("timezone", "Mars/Base"),
        ("visits[2].segments[1].minutes", "ten"),
        ("waits[1].minutes", 30),
        ("limits.screening.systolic.review_from", 80),
        ("limits.floor", GONE),
        ("allocation.block_sizes", [5]),
        ("supply.strength_mg", 80),
        ("colour", "blue"),
    )
    assert [problem.key for problem in problems_of(data)] == [
        "timezone",
        "visits[2].segments[1].minutes",
        "limits.screening.systolic.review_from",
        "limits.floor",
        "supply.strength_mg",
        "colour",
        "waits[1].minutes",
        "allocation.block_sizes[1]",
    ]


def test_the_error_carries_each_problem_as_a_sentence() -> None:
    with pytest.raises(ProtocolInvalid) as caught:
        protocol_from_data(changed(("target", 0), ("title", GONE)))
    assert caught.value.message == "The study document has 2 problems."
    assert caught.value.reasons[0] == "title: This is missing. Add title: a text."


def test_a_stricter_study_loads() -> None:
    protocol = protocol_from_data(
        changed(
            ("limits.screening.pulse.review_from", 55),
            ("limits.floor.pulse", 55),
            ("waits[1].minutes", 120),
            ("limits.leave.earliest_minutes", 250),
            ("supply.strength_mg", 20),
        )
    )
    assert protocol.limits.screening.pulse.review_from == 55
    assert protocol.supply.strength_mg == 20


def test_the_bounds_themselves_are_allowed() -> None:
    protocol = protocol_from_data(
        changed(("waits[1].minutes", 60), ("limits.leave.earliest_minutes", 120))
    )
    assert protocol.dose_wait.length.total_seconds() == 3600


def test_ratio_and_strata_load_when_the_blocks_fit() -> None:
    protocol = protocol_from_data(
        changed(
            ("allocation.arms[1].ratio", 2),
            ("allocation.block_sizes", [6, 12]),
            ("allocation.strata", {"sex": ["female", "male"]}),
            ("allocation.method", "permuted_blocks"),
        )
    )
    assert protocol.allocation.strata == {"sex": ("female", "male")}
    assert protocol.allocation.block_sizes == (6, 12)
    minimised = changed(
        ("allocation.method", "minimisation"), ("allocation.strata", {"sex": ["female", "male"]})
    )
    assert protocol_from_data(minimised).allocation.method == "minimisation"


def test_a_document_without_subdivision_or_questions_loads() -> None:
    protocol = protocol_from_data(changed(("subdivision", GONE), ("questions", GONE)))
    assert (protocol.subdivision, protocol.questions) == ("", ())


def line_of(text: str, further: int = 0) -> str:
    """Return the line of the document on which a text stands, as messages name it."""
    return f"Line {DEMO[: DEMO.index(text)].count(chr(10)) + 1 + further}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (DEMO.replace('currency = "CAD"', "currency = CAD"), line_of('currency = "CAD"')),
        (
            DEMO.replace("target = 48", "target = 48\ntarget = 49"),
            line_of("target = 48", further=1),
        ),
        (DEMO + "\nlast = [1, 2", "the last one"),
        ('a = 1\nb = "' + "\ud800" + '"', "Line 2"),
        ("a = 1\nb = " + "9" * 5000, "Line 2"),
        ("a = 2026-13-45", "Line 1"),
        ("a = " + "[" * 100_000, "deeply"),
        ("#" * 500_001, "too long"),
    ],
    ids=["bare", "twice", "open", "surrogate", "digits", "date", "nested", "size"],
)
def test_a_text_that_is_not_toml_names_the_line(text: str, words: str) -> None:
    with pytest.raises(ProtocolInvalid) as caught:
        load_protocol(text)
    (problem,) = caught.value.problems
    assert words in problem.message
    assert problem.fix


def test_an_empty_document_names_every_required_key() -> None:
    with pytest.raises(ProtocolInvalid) as caught:
        load_protocol("")
    missing = {problem.key for problem in caught.value.problems}
    optional = {
        "subdivision",
        "questions",
        "replaced",
        "progress",
        "texts",
        "messages",
        "payments",
        "retention",
        "notices",
        "reviews",
    }
    assert missing == set(Protocol.__dataclass_fields__) - optional


def test_the_hash_is_of_the_exact_text() -> None:
    assert protocol_hash("abc") == (  # FIPS 180-2, appendix B.1
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    assert protocol_hash(DEMO + " ") != protocol_hash(DEMO)
    assert protocol_hash("é") == hashlib.sha256(b"\xc3\xa9").hexdigest()


PATHS = paths_in(DATA)
ODD = [
    *("", "x", "\x00", 0, -1, 10**30, 16**5000, 1.5, 1e308, float("nan"), float("inf"), True),
    *([], [[]], {}, {"a": 1}, [{}], date(2026, 1, 1)),
]


def loads_or_is_refused(data: dict[str, Any]) -> tuple[Problem, ...]:
    """Return the problems of `data`, none when it loads; anything else that is raised fails."""
    try:
        protocol = protocol_from_data(data)
    except ProtocolInvalid as error:
        found = error.problems
    else:
        assert protocol.dose_wait.length.total_seconds() >= 3600
        assert protocol.dosing_visit.planned_dose_minutes is not None
        return ()
    assert found
    assert all(problem.key and problem.message and problem.fix for problem in found)
    return found


@given(st.lists(st.sampled_from(PATHS), min_size=1, max_size=4, unique=True))
@settings(max_examples=300)
def test_deleted_keys_load_or_are_refused(paths: list[str]) -> None:
    # Later rows go first, so that deleting one does not move the next.
    kept = [path for path in paths if not any(path != p and path.startswith(p) for p in paths)]
    order = sorted(kept, key=lambda path: [str(part).zfill(4) for part in parts(path)])
    loads_or_is_refused(changed(*((path, GONE) for path in reversed(order))))


@given(st.sampled_from(PATHS), st.sampled_from(ODD))
@settings(max_examples=500)
def test_odd_values_load_or_are_refused(path: str, value: Any) -> None:
    loads_or_is_refused(changed((path, value)))


def test_most_keys_cannot_be_deleted() -> None:
    refused = [path for path in PATHS if loads_or_is_refused(changed((path, GONE)))]
    assert len(refused) > len(PATHS) / 2


def test_there_are_enough_breakages() -> None:
    assert len({row[0] for row in BREAKAGES}) == len(BREAKAGES) >= 35
