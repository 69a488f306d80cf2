"""What is wrong with contact details, at the field where it is wrong."""

from datetime import date

import pytest

from studylab.participants.rules.details import ContactDetails, age_on, details_problems
from tests.participants.people import ANA, like

TODAY = date(2026, 3, 10)


def problems(**changes: object) -> dict[str, str]:
    return details_problems(like(ANA, **changes), TODAY)


def test_good_details_have_no_problem() -> None:
    """The details every test here begins from are right."""
    assert problems() == {}


@pytest.mark.parametrize(
    ("born", "words"),
    [
        (date(1876, 3, 10), "150 years"),
        (date(1906, 3, 10), "120 years"),
        (date(2026, 3, 11), "in the future"),
        (date(2026, 3, 10), "baby"),
        (date(2025, 3, 11), "baby"),
    ],
)
def test_impossible_birth_dates(born: date, words: str) -> None:
    """The message says how old the person would be, or that the day is to come."""
    assert words in problems(birth_date=born)["birth_date"]


@pytest.mark.parametrize("born", [date(1906, 3, 11), date(2008, 3, 11), date(2025, 3, 10)])
def test_possible_birth_dates(born: date) -> None:
    """Whether an age is allowed in the study is for the screening rules to say."""
    assert problems(birth_date=born) == {}


def test_age_of_a_leap_day_child() -> None:
    """Born on 29 February, one turns on 1 March in other years."""
    assert age_on(date(2000, 2, 29), date(2025, 2, 28)) == 24
    assert age_on(date(2000, 2, 29), date(2025, 3, 1)) == 25


@pytest.mark.parametrize(
    "email",
    ["søren@mail.example", "ana maria@mail.example", "ana@mail", "ana", "@mail.example", "ana@",
     "ana..m@mail.example", ".ana@mail.example", "ana@mail..example", "ana@-mail.example",
     "ana,ben@mail.example", "ana@mail.example\nbcc: x@mail.example", "a" * 65 + "@mail.example",
     "\u212aim@mail.example"],
)  # fmt: skip
def test_undeliverable_addresses(email: str) -> None:
    """Among them letters beyond ASCII before the @, which many mail systems deliver nowhere."""
    assert "email" in problems(email=email)


def test_the_odd_letter_is_named() -> None:
    """The message names the letter and says what to ask for."""
    assert "“ø” before the @" in problems(email="søren@mail.example")["email"]


@pytest.mark.parametrize(
    "email",
    ["ana+study@mail.example", "a.b@sub.mail.example", "o'neil@mail.example", "ana@bücher.example"],
)
def test_deliverable_addresses(email: str) -> None:
    """Plus signs, dots inside, apostrophes and domains with umlauts work."""
    assert problems(email=email) == {}


@pytest.mark.parametrize(
    ("phone", "words"),
    [("12345", "5 digits only"), ("1" * 16, "16 digits"), ("ask at desk", "digits, spaces"),
     ("07700 900111 or 900112", "digits, spaces"), ("=07700900111", "digits, spaces")],
)  # fmt: skip
def test_implausible_phone_numbers(phone: str, words: str) -> None:
    """Too few, too many, or something else than a number."""
    assert words in problems(phone=phone)["phone"]
    assert words in problems(emergency_phone=phone)["emergency_phone"]


def test_one_way_to_reach_the_person_is_needed() -> None:
    """E-mail or phone; either alone is enough."""
    assert "phone" in problems(email="", phone="")
    assert problems(email="") == {}
    assert problems(phone="") == {}


@pytest.mark.parametrize("name", ["", "   ", "123", "--", "?"])
def test_a_name_needs_a_letter(name: str) -> None:
    """Nothing else can be compared with an identity document."""
    assert "family_name" in problems(family_name=name)
    assert "given_names" in problems(given_names=name)


def test_control_characters_and_length() -> None:
    """A control character pasted along is refused; so is what does not fit."""
    assert "control character" in problems(given_names="An\x07a")["given_names"]
    assert "at most 100" in problems(family_name="x" * 101)["family_name"]
    assert problems(address="3 Quay Row\r\nHarbour") == {}


def test_every_problem_is_told_at_once() -> None:
    """Four wrong fields give four messages."""
    wrong = ContactDetails("", "1", date(2030, 1, 1), "x", "12")
    assert set(details_problems(wrong, TODAY)) == {
        "family_name", "given_names", "birth_date", "email", "phone",
    }  # fmt: skip
