"""What is owed, worked by hand, and sums in words."""

from decimal import Decimal

import pytest

from scheduling.rules.payments import (
    Account,
    Ended,
    amount_of,
    ended_as,
    exact,
    names_an_account,
    totals,
)
from scheduling.rules.sum_words import sum_in_words


def amount(ended: Ended, payment: float = 90, share: float = 1.0) -> Decimal:
    return amount_of(number=1, ended=ended, payment=payment, stopped_share=share).due


def test_an_account_worked_by_hand() -> None:
    """Visit 1 done 30.00; visit 2 (90.00) ended by the volunteer at a share of one third; visit 3 to come.

    By hand: 90 x 0.3333 = 29.997, to the cent 30.00; due 60.00; paid 45.50; owed 14.50.
    """
    amounts = (
        amount_of(number=1, ended=Ended.DONE, payment=30, stopped_share=0.3333),
        amount_of(number=2, ended=Ended.BY_VOLUNTEER, payment=90, stopped_share=0.3333),
        amount_of(number=3, ended=Ended.NOT_YET, payment=60, stopped_share=0.3333),
    )
    account = Account(amounts, paid=Decimal("45.50"))
    assert (account.due, account.owed, account.over) == (
        Decimal("60.00"), Decimal("14.50"), Decimal("0.00"),
    )  # fmt: skip
    late = Account(amounts, paid=Decimal("60.01"))
    assert (late.owed, late.over) == (Decimal("0.00"), Decimal("0.01"))
    assert totals([account, late]) == [(Decimal("14.50"), "")]


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
@pytest.mark.parametrize("ended", [Ended.DONE, Ended.BY_STUDY, Ended.SENT_HOME])
def test_what_the_study_ends_costs_the_volunteer_nothing(ended: Ended, share: float) -> None:
    assert amount(ended, share=share) == Decimal("90.00")


def test_only_who_stopped_for_themselves_gets_the_share_and_by_default_all_of_it() -> None:
    assert amount(Ended.BY_VOLUNTEER) == Decimal("90.00")
    assert amount(Ended.BY_VOLUNTEER, share=0.5) == Decimal("45.00")
    assert amount(Ended.BY_VOLUNTEER, share=0) == Decimal("0.00")
    assert amount(Ended.NOT_YET) == amount(Ended.NOT_HELD) == Decimal("0.00")


def test_halves_of_a_cent_go_up_and_binary_fractions_do_not_show() -> None:
    assert amount(Ended.BY_VOLUNTEER, payment=0.35, share=0.5) == Decimal("0.18")
    assert exact(1.005) == Decimal("1.01"), "as written, not as the binary number just below it"
    assert sum((exact(0.1) for _ in range(3)), Decimal(0)) == Decimal("0.30")


@pytest.mark.parametrize(
    ("state", "by_volunteer", "ended"),
    [
        ("done", False, Ended.DONE),
        ("stopped", False, Ended.BY_STUDY),
        ("stopped", True, Ended.BY_VOLUNTEER),
        ("missed", False, Ended.NOT_HELD),
        ("cancelled", False, Ended.NOT_HELD),
        ("booked", False, Ended.NOT_YET),
        ("running", False, Ended.NOT_YET),
    ],
)
def test_how_far_a_visit_came(state: str, by_volunteer: bool, ended: Ended) -> None:
    assert ended_as(state, by_volunteer=by_volunteer) == ended


@pytest.mark.parametrize(
    ("note", "account"),
    [
        ("second half", False),
        ("12 Feb 2026, room 4", False),
        ("CA12 3456 7890", True),
        ("0042-1234567", True),
    ],
)
def test_account_numbers_are_noticed(note: str, account: bool) -> None:
    assert names_an_account(note) is account


@pytest.mark.parametrize(
    ("amount", "english", "french"),  # spellings from memory of school grammars (1835 spelling in French)
    [
        ("0", "zero and 00/100", "zéro et 00/100"),
        ("21.05", "twenty-one and 05/100", "vingt et un et 05/100"),
        ("71", "seventy-one and 00/100", "soixante et onze et 00/100"),
        ("80", "eighty and 00/100", "quatre-vingts et 00/100"),
        ("81", "eighty-one and 00/100", "quatre-vingt-un et 00/100"),
        ("91.99", "ninety-one and 99/100", "quatre-vingt-onze et 99/100"),
        ("97", "ninety-seven and 00/100", "quatre-vingt-dix-sept et 00/100"),
        ("180", "one hundred eighty and 00/100", "cent quatre-vingts et 00/100"),
        ("200", "two hundred and 00/100", "deux cents et 00/100"),
        ("201", "two hundred one and 00/100", "deux cent un et 00/100"),
        ("1000", "one thousand and 00/100", "mille et 00/100"),
        ("1900.5", "one thousand nine hundred and 50/100", "mille neuf cents et 50/100"),
        ("80080", "eighty thousand eighty and 00/100", "quatre-vingt mille quatre-vingts et 00/100"),
        ("200000", "two hundred thousand and 00/100", "deux cent mille et 00/100"),
    ],
)  # fmt: skip
def test_sums_in_words(amount: str, english: str, french: str) -> None:
    assert sum_in_words(Decimal(amount), "en") == english
    assert sum_in_words(Decimal(amount), "fr-ca") == french


def test_no_words_for_what_no_receipt_has() -> None:
    for wrong in ("-1", "1000000"):
        with pytest.raises(ValueError, match="No words"):
            sum_in_words(Decimal(wrong), "en")
