"""Searching the help in plain words, misspelt ones too."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.access import Role
from studylab.help.rules.search import find, words_of
from studylab.help.rules.topics import build, load_help

TOPICS = load_help().topics


@pytest.mark.parametrize(
    ("query", "first"),
    [
        ("How do I move a visit?", "series"),
        ("tablet stolen", "worst-tablet"),
        ("stolen tablets", "worst-tablet"),
        ("blood presure", "vitals"),
        ("unblnd at night", "worst-code"),
        ("password forgoten", "account"),
        ("fridge too warm", "temperature"),
        ("holliday", "closures"),
        ("ECG", "checks"),
        ("wrong capsule given", "worst-kit"),
        ("no answer on the phone after the dose", "worst-contact"),
        ("keyboard shortcuts calendar", "calendar"),
        ("server came back from backup", "worst-server"),
        ("wifi down", "worst-network"),
    ],
)
def test_what_people_type_finds_what_they_mean(query: str, first: str) -> None:
    assert find(TOPICS, query)[0].key == first


def test_ones_own_role_comes_first_among_equals() -> None:
    rows = [
        {"key": key, "title": "Rooms", "about": "x.", "steps": ["a", "b"], "roles": [key]}
        for key in ("lead", "monitor")
    ]
    topics = build([("a.toml", {"page": rows})]).topics
    assert [one.key for one in find(topics, "rooms", frozenset({Role.MONITOR}))] == [
        "monitor",
        "lead",
    ]
    assert [one.key for one in find(topics, "rooms")] == ["lead", "monitor"]


@pytest.mark.parametrize("query", ["", "   ", "zzz", "the of and", "??", "xq"])
def test_nothing_is_found_where_nothing_fits(query: str) -> None:
    assert find(TOPICS, query) == []


def test_a_title_weighs_more_than_a_word_in_the_text() -> None:
    keys = [one.key for one in find(TOPICS, "payments")]
    assert keys[0] == "payments"


def test_words_are_folded() -> None:
    assert words_of("Café, MÜSLI’s 40 mg") == ["cafe", "musli", "s", "40", "mg"]


@settings(max_examples=30)
@given(st.text(max_size=200))
def test_any_text_can_be_searched_for(query: str) -> None:
    found = find(TOPICS[:12], query)
    assert len(found) == len({one.key for one in found}) <= 12
