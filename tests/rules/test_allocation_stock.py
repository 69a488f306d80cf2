"""Kit states, reconciliation, guess shares and words that tell: pure rules.

Guess shares: Blackwell and Hodges 1957, P = (b + EF) / 2b, EF = 2^(2b-1) / C(2b, b) - 1/2 (formula from memory,
compared with the closed form here); random sizes: sum of right guesses over sum of places.
"""

import ast
from fractions import Fraction
from itertools import product
from math import comb
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.allocation.rules import kit_states
from studylab.allocation.rules.guessing import block_guess, plan_guess
from studylab.allocation.rules.kit_states import (
    CHANGES,
    STATES,
    NotPossible,
    after,
    possible,
    replay,
)
from studylab.allocation.rules.reconciling import KitSeen, count
from studylab.allocation.rules.wording import names_an_arm
from studylab.studies.rules.protocol import AllocationPlan, Arm

ARMS = (Arm("active", "Propranolol 40 mg"), Arm("placebo", "Placebo"))
HOUSE = Path(__file__).parent.parent.parent


def plan() -> AllocationPlan:
    return AllocationPlan(arms=ARMS, length=20)


# --- Kits ---------------------------------------------------------------------------------------------


def test_every_movement_from_every_state_is_decided() -> None:
    """Written out by hand, not read from the table."""
    allowed = {
        ("in_stock", "prepare"): "prepared", ("prepared", "dispense"): "dispensed",
        ("dispensed", "give"): "given", ("prepared", "return"): "returned",
        ("dispensed", "return"): "returned", ("in_stock", "quarantine"): "quarantined",
        ("prepared", "quarantine"): "quarantined", ("dispensed", "quarantine"): "quarantined",
        ("quarantined", "release"): "in_stock", ("in_stock", "destroy"): "destroyed",
        ("returned", "destroy"): "destroyed", ("quarantined", "destroy"): "destroyed",
        ("in_stock", "transfer"): "transferred", ("returned", "transfer"): "transferred",
        ("quarantined", "transfer"): "transferred", ("missing", "find"): "quarantined",
        **{(state, "lose"): "missing" for state in (
            "in_stock", "prepared", "dispensed", "returned", "quarantined")},
    }  # fmt: skip
    for state, what in product(STATES, CHANGES):
        if (state, what) in allowed:
            assert after(state, what) == allowed[state, what]
            assert what in possible(state)
        else:
            with pytest.raises(NotPossible):
                after(state, what)
            assert what not in possible(state)


def test_what_left_never_comes_back_to_stock() -> None:
    with pytest.raises(NotPossible, match="left the dispensary"):
        replay(["receive", "prepare", "dispense", "quarantine", "release"])
    assert replay(["receive", "prepare", "quarantine", "release", "prepare"]) == "prepared"
    assert "release" not in possible("quarantined", left_before=True)
    with pytest.raises(NotPossible, match="its sight"):
        replay(["receive", "lose", "find", "release"])


@pytest.mark.parametrize(
    "lines", [["prepare"], ["receive", "receive"], ["receive", "eat"], ["receive", "give"]]
)
def test_ledgers_that_cannot_be(lines: list[str]) -> None:
    with pytest.raises(NotPossible):
        replay(lines)


@given(st.lists(st.sampled_from([*CHANGES, "receive"]), max_size=12))
def test_no_ledger_gives_twice_or_after_the_end(lines: list[str]) -> None:
    try:
        replay(lines)
    except NotPossible:
        return
    assert lines.count("give") <= 1
    for last in ("give", "destroy", "transfer"):
        assert last not in lines[:-1]


@pytest.mark.shows("D-06")
def test_reconciliation_adds_up_or_says_why() -> None:
    good = [
        KitSeen("A", "in_stock", False, ("receive",)),
        KitSeen("B", "given", True, ("receive", "prepare", "dispense", "give")),
        KitSeen("C", "destroyed", False, ("receive", "destroy")),
    ]
    done = count(good)
    assert done.agrees
    assert (done.received, done.accounted) == (3, 3)
    bad = [
        KitSeen("D", "in_stock", False, ("receive", "prepare")),
        KitSeen("E", "prepared", False, ("receive", "prepare")),
        KitSeen("F", "in_stock", False, ()),
        KitSeen("G", "given", True, ("receive", "give")),
        KitSeen("H", "eaten", False, ("receive",)),
    ]
    text = " ".join(count(bad).differences)
    for words in (
        "Kit D is in stock, its ledger says prepared", "Kit E is out without a number",
        "Kit F was never received", "Kit G: its ledger cannot be", "unknown state",
        "received 4 kits, 5 are on record",
    ):  # fmt: skip
        assert words in text


# --- Guessing -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("b", "share"),
    [(1, "3/4"), (2, "17/24"), (3, "41/60"), (4, "373/560"), (5, "823/1260"), (6, "3565/5544")],
)
def test_guess_share_of_one_block(b: int, share: str) -> None:
    """Values of the closed form for blocks of 2 to 12; certain share 1/(b+1)."""
    excess = Fraction(2 ** (2 * b - 1), comb(2 * b, b)) - Fraction(1, 2)
    guess = block_guess((b, b))
    assert guess.right == (b + excess) / (2 * b) == Fraction(share)
    assert guess.certain == Fraction(1, b + 1)


@pytest.mark.parametrize(
    ("sizes", "share"),
    [((2, 4), "13/18"), ((4, 6), "52/75"), ((2, 4, 6), "253/360"), ((4, 6, 8), "515/756")],
)
def test_guess_share_of_sizes_drawn_at_random(sizes: tuple[int, ...], share: str) -> None:
    guess = plan_guess(plan(), sizes)
    assert guess.right == Fraction(share)
    assert guess.chance == Fraction(1, 2)


def test_guess_share_of_a_ratio_of_two_to_one_by_enumeration() -> None:
    """Blocks of 3 at 2:1: guess the arm due most. AAB 3 right, ABA 1 + 1/2 + 1, BAA 0 + 1 + 1 (mean of ties)."""
    assert block_guess((2, 1)).right == Fraction(1, 3) * (
        Fraction(5, 2) / 3 + Fraction(5, 2) / 3 + Fraction(2, 3)
    )


# --- Words, and the one gate --------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["Placebo 3", "the ACTIVE ones", "propranolol shelf", "active-2"])
def test_words_that_tell_are_found(text: str) -> None:
    assert names_an_arm(text, ARMS)


@pytest.mark.parametrize(
    "text", ["B-01", "15 to 25 °C, dry, locked", "inactivated alarm", "40 mg, 1 unit"]
)
def test_plain_words_pass(text: str) -> None:
    assert names_an_arm(text, ARMS) is None


def test_sealed_values_are_opened_in_one_module_only() -> None:
    """Every file of the house is read: nobody but `allocation.gates` imports a function that opens."""
    openers = {"unseal", "unseal_text", "ALLOCATION_KEY"}
    found = set()
    for path in [
        *HOUSE.glob("studylab/**/*.py"),
        *HOUSE.glob("screening/**/*.py"),
        *HOUSE.glob("scheduling/**/*.py"),
    ]:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {n.name for n in ast.walk(tree) if isinstance(n, ast.alias)}
        names |= {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
        if names & openers:
            found.add(str(path.relative_to(HOUSE)))
    assert found == {
        "studylab/allocation/gates.py",
        "studylab/backups/making.py",  # names the key that a restoration needs, by a digest
        "studylab/reports/rules/self_tests.py",  # opens a word of its own under a key of its own
    }


def test_the_table_and_its_words_cover_every_state() -> None:
    assert set(kit_states.STATE_WORDS) == set(STATES)
    assert {change.after for change in CHANGES.values()} == set(STATES)
