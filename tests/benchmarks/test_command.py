"""The command `benchmark`: it runs, and prints what it promises. Timings are never looked at."""

import json
from io import StringIO

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from studylab.management.benchmarks import all_benchmarks


def _run(*words: str) -> list[str]:
    out = StringIO()
    call_command("benchmark", *words, stdout=out)
    return out.getvalue().splitlines()


@pytest.mark.parametrize("one", all_benchmarks(), ids=lambda one: one.name)
def test_each_prints_its_headline_first_and_nothing_but_figures(one, db):
    lines = [json.loads(line) for line in _run(one.name, "--json", "--tiny")]
    own = [line for line in lines if line["name"] == one.name]
    assert lines[0]["name"] == one.name
    assert len(own) == 1
    for line in lines:
        assert list(line) == ["name", "value", "unit", "reference", "ratio"]
        assert line["unit"]
        assert line["reference"]
        assert isinstance(line["value"], int | float)
        assert line["value"] >= 0
        assert line["ratio"] > 0


def test_one_page_can_be_asked_for_among_all(db):
    (line,) = [json.loads(line) for line in _run("pages.front", "--json", "--tiny")]
    assert line["name"] == "pages.front"
    assert line["reference"].startswith("an empty signed-in page")


def test_a_table_for_people(db):
    head, first, *_ = _run("allocation.generate", "--tiny")
    assert head.split() == ["Benchmark", "Value", "Unit", "Ratio", "Reference"]
    assert first.startswith("allocation.generate ")
    assert first.endswith("plain SQL inserts of the same rows")


def test_the_list_measures_nothing():
    assert any(line.startswith("screening.assess: ") for line in _run("--list"))


def test_an_unknown_name_is_told_the_known_ones():
    with pytest.raises(CommandError, match=r"no benchmark called speed.*screening\.assess"):
        _run("speed")
