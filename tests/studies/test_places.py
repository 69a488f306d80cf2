"""Where values stand in a document, and a form that changes single ones of them."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest

from studylab.errors import Refused
from studylab.studies.rules.form_values import (
    known_values,
    spacing_rows,
    with_values,
    without_block_sizes,
)
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.places import line_of, places
from tests.cast import DOCUMENTS

TEXTS = {name: (DOCUMENTS / f"{name}.toml").read_text("utf-8") for name in ("demo", "conditioning")}


def paths(value: Any, path: str = "") -> Iterator[str]:
    """Every path of a document that tomllib has read."""
    if isinstance(value, dict):
        for key, below in value.items():
            yield (here := f"{path}.{key}" if path else key)
            yield from paths(below, here)
    elif isinstance(value, list):
        for row, below in enumerate(value, 1):
            yield (here := f"{path}[{row}]")
            yield from paths(below, here)


@pytest.mark.parametrize("name", TEXTS)
def test_every_path_that_tomllib_reads_has_a_place_and_no_other(name: str) -> None:
    found = places(TEXTS[name])
    assert set(found) == set(paths(tomllib.loads(TEXTS[name])))


@pytest.mark.parametrize("name", TEXTS)
def test_every_value_alone_is_what_stands_at_its_place(name: str) -> None:
    """The text between start and end, read by tomllib by itself, is the value that it reads in the whole."""
    text, checked = TEXTS[name], 0

    def at(data: Any, path: str) -> Any:
        for part in path.replace("[", ".").replace("]", "").split("."):
            data = data[int(part) - 1] if isinstance(data, list) else data[part]
        return data

    whole = tomllib.loads(text)
    for path, spot in places(text).items():
        if (cut := text[spot.start : spot.end]).startswith("[") and "=" not in cut:
            continue  # a header of a table
        value = at(whole, path)
        if not isinstance(value, dict | list):
            assert tomllib.loads(f"x = {cut}")["x"] == value, path
            assert text.split("\n")[spot.line - 1].strip(), path
            checked += 1
    assert checked > 300


def test_a_line_is_found_also_for_what_is_missing() -> None:
    text = (
        'a = 1\n# note\n[[rows]]\nx = """one\ntwo"""\n[[rows]]\ny = { z = [1, 2] }\n"odd key" = 3\n'
    )
    found = places(text)
    assert line_of(found, "rows[1].x") == 4
    assert line_of(found, "rows[2].y.z[2]") == 7
    assert line_of(found, "rows[2].y.none") == 7
    assert line_of(found, "rows[1].none") == 3
    assert line_of(found, "rows[2].odd key") == 8
    assert line_of(found, "nothing") is None


def test_a_text_that_is_no_toml_keeps_what_was_understood() -> None:
    assert set(places('a = 1\nb = [1,\nc = = 2\n"')) >= {"a"}
    assert places("[" * 5000) == {}


@pytest.mark.parametrize("name", TEXTS)
def test_one_value_changes_and_every_other_line_stays(name: str) -> None:
    text = TEXTS[name]
    for path in known_values(text):
        value: Any = 21 if "spacings" in path else 77 if path == "target" else 'New "value" \\ é'
        changed = with_values(text, {path: value})
        lines = [
            (before, after)
            for before, after in zip(text.split("\n"), changed.split("\n"), strict=True)
            if before != after
        ]
        assert len(lines) == 1, path
        before, after = lines[0]
        assert before.partition("#")[2] == after.partition("#")[2], path
        data = tomllib.loads(changed)
        for part in path.replace("[", ".").replace("]", "").split("."):
            data = data[int(part) - 1] if isinstance(data, list) else data[part]
        assert data == value, path


def test_the_loader_reads_what_the_form_wrote() -> None:
    wanted = {
        "title": "Our own title", "target": 60, "timezone": "Europe/Oslo", "country": "NO",
        "subdivision": "", "phone_24h": "+47 22 00 00 00", "spacings[1].latest_hours": 25.5,
    }  # fmt: skip
    plan = load_protocol(with_values(TEXTS["demo"], wanted))
    assert (plan.title, plan.target, plan.country, plan.subdivision) == ("Our own title", 60, "NO", "")  # fmt: skip
    assert plan.spacings[0].latest.total_seconds() == 25.5 * 3600
    assert plan.phone_24h == "+47 22 00 00 00"


def test_a_part_of_the_country_is_added_where_there_was_none() -> None:
    assert "subdivision" not in tomllib.loads(TEXTS["conditioning"])
    changed = with_values(TEXTS["conditioning"], {"subdivision": "UT"})
    assert load_protocol(changed).subdivision == "UT"
    assert len(changed.split("\n")) == len(TEXTS["conditioning"].split("\n")) + 1


def test_what_the_form_cannot_write_is_refused_by_name() -> None:
    with pytest.raises(Refused, match=r"phone_24h does not stand"):
        with_values("title = 'x'\n", {"phone_24h": "1"})
    with pytest.raises(Refused, match="cannot be read as TOML"):
        known_values("title = ")
    assert spacing_rows("spacings = 3") == []


def test_block_sizes_are_left_out() -> None:
    text = TEXTS["demo"].replace("[allocation]", "[allocation]\nblock_sizes = [4, 8]  # secret")
    assert without_block_sizes(text) == TEXTS["demo"]
    assert without_block_sizes(TEXTS["demo"]) == TEXTS["demo"]
