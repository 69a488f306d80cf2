"""How many places are taken, by the protocol's rule on replacing."""

from itertools import product

import pytest

from studylab.allocation.rules.replacing import RULES, Holder, places_taken

EVERY = [Holder(left, dosed) for left, dosed in product((False, True), repeat=2)]


@pytest.mark.parametrize(("rule", "taken"), [("never", 4), ("before_dose", 3), ("always", 2)])
def test_who_left_frees_a_place_by_the_rule_only(rule: str, taken: int) -> None:
    assert rule in RULES
    assert places_taken(EVERY, rule) == taken


def test_an_unknown_rule_frees_nobody_silently() -> None:
    with pytest.raises(KeyError):
        places_taken(EVERY, "sometimes")
