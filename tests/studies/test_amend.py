"""Changing limits inside the text of a study document: only these numbers, comments and order kept."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studylab.errors import Refused
from studylab.studies.rules.amend import amended, limit_numbers
from studylab.studies.rules.limits_words import group_of, words_of
from studylab.studies.rules.loader import load_protocol
from tests.cast import DOCUMENTS

TEXTS = {
    name: (DOCUMENTS / f"{name}.toml").read_text(encoding="utf-8")
    for name in ("demo", "conditioning")
}


@settings(max_examples=40)
@given(st.data())
def test_any_numbers_are_changed_and_nothing_else(data):
    text = TEXTS[data.draw(st.sampled_from(sorted(TEXTS)))]
    numbers = limit_numbers(text)
    chosen = data.draw(st.sets(st.sampled_from(sorted(numbers)), min_size=1))
    wanted = {path: numbers[path] + data.draw(st.sampled_from([0.5, 1, 7])) for path in chosen}
    after = amended(text, wanted)
    assert limit_numbers(after) == {**numbers, **wanted}
    before_lines, after_lines = text.split("\n"), after.split("\n")
    assert len(before_lines) == len(after_lines)
    comments = [line.partition("#")[2] for line in before_lines]
    assert [line.partition("#")[2] for line in after_lines] == comments


def test_a_change_is_one_line():
    after = amended(TEXTS["demo"], {("screening", "pulse", "pass_from"): 62})
    differing = [
        new
        for old, new in zip(TEXTS["demo"].split("\n"), after.split("\n"), strict=True)
        if old != new
    ]
    assert len(differing) == 1
    assert "pass_from = 62," in differing[0]
    assert load_protocol(after).limits.screening.pulse.pass_from == 62
    assert load_protocol(after).limits.pre_dose.pulse.pass_from == 60


def test_a_place_that_is_not_there_is_refused_with_its_key():
    with pytest.raises(Refused, match=r"limits\.screening\.girth"):
        amended(TEXTS["demo"], {("screening", "girth"): 3})


def test_a_number_written_in_another_way_is_refused_and_not_missed():
    text = TEXTS["demo"].replace("pre_dose_valid_minutes = 30", "pre_dose_valid_minutes = 0x1e")
    with pytest.raises(Refused, match="by hand"):
        amended(text, {("pre_dose_valid_minutes",): 40})


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_every_limit_has_a_name_of_its_own_in_its_group(name):
    seen = [(group_of(path), *words_of(path)) for path in limit_numbers(TEXTS[name])]
    assert len(seen) == len(set(seen))
    assert not any("_" in words for _group, words, _unit in seen)
