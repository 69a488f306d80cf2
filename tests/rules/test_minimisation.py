"""Minimisation against published examples; its ratio, its margins, and what the next arm depends on.

Lim and In, Korean J Anesthesiol 2019;72:221-232, Table 4 (read); Pocock's 1983 textbook example (from memory).
"""

from collections import Counter
from math import sqrt

import pytest

from studylab.allocation.rules.minimising import Minimiser, best_shares, imbalance, minimised
from studylab.studies.rules.protocol import Arm
from tests.rules.plans import CUES, SEED, STRATA, people_of, plan


def test_minimisation_example_of_lim_and_in() -> None:
    counts = [(3, 5), (3, 3), (3, 3)]  # site 2, female, 65 and older; control, treatment
    assert [imbalance(counts, share, "range") for share in (0, 1)] == [3, 5]
    assert [imbalance(counts, share, "totals") for share in (0, 1)] == [9, 11]
    assert [imbalance(counts, share, "squares") for share in (0, 1)] == [3, 11]
    assert all(best_shares(counts, 2, m) == [0] for m in ("range", "totals", "squares"))


def test_minimisation_example_of_pocock_where_the_measures_differ() -> None:
    counts = [(30, 31), (18, 17), (9, 8), (19, 21)]
    assert [imbalance(counts, share, "totals") for share in (0, 1)] == [76, 77]
    assert [imbalance(counts, share, "squares") for share in (0, 1)] == [9, 13]
    assert best_shares(counts, 2, "totals") == best_shares(counts, 2, "squares") == [0]
    assert best_shares(counts, 2, "range") == [0, 1]


def test_the_favoured_arm_comes_as_often_as_the_percent_says() -> None:
    minimiser = Minimiser(plan(strata=STRATA), percent=80, measure="range", seed=SEED)
    hits = chances = 0
    for levels in people_of(6000, SEED):
        favoured = minimiser.favoured(levels)
        row = minimiser.take(levels)
        if len(favoured) == 1:
            chances, hits = chances + 1, hits + (row.arm in favoured)
    assert chances > 2000
    assert abs(hits / chances - 0.8) < 4 * sqrt(0.16 / chances)


@pytest.mark.parametrize("measure", ["totals", "range", "squares"])
def test_minimisation_keeps_ratio_and_margins(measure: str) -> None:
    of = plan(arms=(Arm("a", "A", 2), Arm("b", "B")), strata=STRATA, open_factors=CUES)
    people = people_of(600, b"m" * 48)
    rows = minimised(plan=of, percent=90, measure=measure, seed=SEED, people=people)
    assert abs(sum(row.arm == "a" for row in rows) - 400) <= 12
    for name, levels in STRATA.items():
        for level in levels:
            here = [r for r, p in zip(rows, people, strict=True) if p[name] == level]
            assert abs(sum(r.arm == "a" for r in here) / len(here) - 2 / 3) < 0.05
    cells = Counter((row.arm, row.open_levels) for row in rows)
    for arm in ("a", "b"):
        left, right = (cells[arm, (("cue", level),)] for level in ("left", "right"))
        assert abs(left - right) <= 3


def test_the_next_arm_depends_on_seed_and_people_alone_and_later_people_change_nothing() -> None:
    of, people = plan(strata=STRATA, open_factors=CUES), people_of(40, SEED)
    made = {"plan": of, "percent": 80, "measure": "squares", "seed": SEED}
    whole = minimised(people=people, **made)
    assert minimised(people=people[:17], **made) == whole[:17]
    assert minimised(people=people, **(made | {"seed": SEED[::-1]})) != whole
