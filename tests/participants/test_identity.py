"""The same person written in two ways is found to be the same; a similar one is not."""

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studylab.participants.rules.identity import (
    Particulars,
    fold_name,
    fold_phone,
    key_texts,
    name_tokens,
    search_texts,
    swapped,
    swapped_text,
)

BORN = date(1998, 3, 4)


def texts(family: str, given_names: str, born: date = BORN, **kwargs: str) -> set[tuple[str, str]]:
    return set(key_texts(Particulars(family, given_names, born, **kwargs)))


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (("Lopez", "Ana Maria"), ("López", "Ana-María")),
        (("Lopez", "Ana Maria"), ("LOPEZ", "maria ana")),
        (("Ana", "Lopez Maria"), ("Lopez", "Ana Maria")),
        (("O'Brien", "Siân"), ("OBrien", "Sian")),
        (("Müller", "Jörg"), ("Mueller", "Joerg")),
        (("Ångström", "Åse"), ("Angstrom", "Aase")),
        (("Straße", "Łukasz"), ("Strasse", "Lukasz")),
        (("Lopez\u0301", "Ana"), ("Lope\u017a", "Ana")),
    ],
)
def test_spellings_of_one_name_meet(one: tuple[str, str], other: tuple[str, str]) -> None:
    """Accents, case, hyphens, order and double spellings do not count."""
    assert fold_name(*one) == fold_name(*other)


def test_whole_name_and_birth_date_meet() -> None:
    """Written last name first with a hyphen and an accent, it is the same key."""
    kinds = {kind for kind, _ in texts("Lopez", "Ana Maria") & texts("LÓPEZ", "Ana-María")}
    assert {"name_birth", "family_birth", "given_birth"} <= kinds


def test_twins_meet_by_family_name_and_birth_date_only() -> None:
    """Two given names of one family and day share no stronger key."""
    both = texts("Moor", "Dee") & texts("Moor", "Eve")
    assert {kind for kind, _ in both if kind.endswith("_birth")} == {"family_birth"}


def test_part_of_a_double_name_meets() -> None:
    """Somebody who leaves out a second family name is still found by the first."""
    both = texts("Lopez Garcia", "Ana") & texts("Lopez", "Ana")
    assert {"family_birth", "given_birth"} <= {kind for kind, _ in both}
    assert "name_birth" not in {kind for kind, _ in both}


def test_another_birth_date_shares_no_birth_key() -> None:
    """A namesake born on another day is somebody else."""
    both = texts("Lopez", "Ana") & texts("Lopez", "Ana", date(1998, 3, 5))
    assert not [kind for kind, _ in both if kind.endswith("_birth")]


def test_swapped_day_and_month() -> None:
    """4 March and 3 April are each other's slip; the 21st has none, nor has 5 May."""
    assert swapped(date(1998, 3, 4)) == date(1998, 4, 3)
    assert swapped(date(1998, 3, 21)) is None
    assert swapped(date(1998, 5, 5)) is None
    slip = swapped_text(Particulars("Lopez", "Ana Maria", date(1998, 4, 3)))
    assert ("name_birth", slip) in texts("Lopez", "Ana Maria")


def test_29_february_survives_a_swap() -> None:
    """A day above twelve never becomes a month."""
    assert swapped_text(Particulars("A", "B", date(2000, 2, 29))) is None


@pytest.mark.parametrize(
    "phone",
    ["+44 7700 900111", "07700 900111", "(0044) 7700-900-111", "07700.900111", "٠٧٧٠٠٩٠٠١١١"],
)
def test_phone_numbers_meet_whatever_their_prefix(phone: str) -> None:
    """Country code, trunk zero and separators do not count."""
    assert fold_phone(phone) == "700900111"


def test_email_meets_whatever_its_case() -> None:
    """Mail addresses are compared in lower case."""
    assert ("email", "ana@mail.example") in texts("L", "A", email=" Ana@Mail.example ")


def test_short_phone_is_no_key() -> None:
    """Three digits would make half the world the same person."""
    assert "phone" not in {kind for kind, _ in texts("L", "A", phone="112")}


def test_search_text_goes_to_the_right_keys() -> None:
    """A name, an address and a number are each sought where they are filed."""
    assert search_texts("López ana maría") == [
        (kind, "ana lopez maria") for kind in ("name", "family", "given")
    ]
    assert search_texts("ANA@mail.example") == [("email", "ana@mail.example")]
    assert search_texts("+44 7700 900111") == [("phone", "700900111")]
    assert search_texts(" - ") == []


@given(st.text(max_size=40), st.text(max_size=40))
def test_folding_is_stable_and_ignores_order(one: str, other: str) -> None:
    """Folding twice changes nothing more than once, and the two names may change places."""
    assert fold_name(one, other) == fold_name(other, one)
    assert fold_name(one) == fold_name(one.upper().lower()) or not one.isascii()
    assert all(token.strip() == token and token for token in name_tokens(one))
