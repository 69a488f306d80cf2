"""Folding of particulars, so that the same person written twice is seen to be the same.

Accents, case, hyphens, apostrophes and the order of names do not count, nor do the two ways of writing an
umlaut (Müller, Mueller). What comes out is text for a keyed hash; it is never stored or shown.
"""

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

# Letters that Unicode does not take apart into a base letter and a mark.
_LETTERS = str.maketrans(
    {
        "ø": "o",
        "ł": "l",
        "đ": "d",
        "ð": "d",
        "þ": "th",
        "æ": "ae",
        "œ": "oe",
        "ı": "i",
        "ħ": "h",
        "ß": "ss",
    }
)
# Spelling pairs of one sound: both spellings of a name end the same. Two names that meet only by this
# share no birth date, so it costs nothing.
_PAIRS = (("ae", "a"), ("oe", "o"), ("ue", "u"), ("aa", "a"))
_JOINING = {"'", "’", "‘", "ʼ", "`", "´", "."}  # O'Brien and OBrien are one name, not two
PHONE_DIGITS = 9  # the last nine digits leave out the country code and the trunk zero
LEAST_DIGITS = 6  # a text with fewer digits is no phone number to compare by

DUPLICATE_KINDS = (
    "name_birth", "name_birth_swapped", "family_birth", "given_birth", "email", "phone",
)  # fmt: skip
KIND_WORDS = {
    "name_birth": "same names and birth date",
    "name_birth_swapped": "same names, and the birth date with day and month swapped",
    "family_birth": "same family name and birth date",
    "given_birth": "same given name and birth date",
    "email": "same e-mail address",
    "phone": "same phone number",
}


@dataclass(frozen=True, slots=True)
class Particulars:
    """What a person is recognised by."""

    family_name: str
    given_names: str
    birth_date: date
    email: str = ""
    phone: str = ""


def name_tokens(name: str) -> tuple[str, ...]:
    """Return the folded words of a name in the order written, without empty ones."""
    decomposed = unicodedata.normalize("NFKD", name.casefold())
    kept = []
    for character in decomposed:
        if unicodedata.combining(character) or character in _JOINING:
            continue
        kept.append(character if character.isalnum() else " ")
    text = "".join(kept).translate(_LETTERS)
    for pair, single in _PAIRS:
        text = text.replace(pair, single)
    return tuple(text.split())


def fold_name(*names: str) -> str:
    """Return names as one text in which order does not count."""
    return " ".join(sorted(token for name in names for token in name_tokens(name)))


def fold_email(email: str) -> str:
    """Return an e-mail address without surrounding space, in lower case."""
    return unicodedata.normalize("NFKC", email).strip().casefold()


def fold_phone(phone: str) -> str:
    """Return the last nine digits of a phone number, so that +44 20... and 020... meet."""
    digits = "".join(
        str(unicodedata.digit(c)) for c in phone if unicodedata.digit(c, None) is not None
    )
    return digits[-PHONE_DIGITS:]


def swapped(born: date) -> date | None:
    """Return a birth date with day and month swapped; None when that is no date or the same one."""
    if born.day > 12 or born.day == born.month:
        return None
    return date(born.year, born.day, born.month)


def key_texts(who: Particulars) -> list[tuple[str, str]]:
    """Return (kind, text) for every way to find this person again, without repeats.

    The kinds with "birth" and "email" and "phone" find duplicates; "name", "family" and "given" alone serve
    the search by name and say nothing about who is the same.
    """
    return list(dict.fromkeys(_texts(who)))


def swapped_text(who: Particulars) -> str | None:
    """Return the "name_birth" text of the same person with day and month swapped, if there is one."""
    other = swapped(who.birth_date)
    if other is None:
        return None
    return f"{fold_name(who.family_name, who.given_names)}|{other.isoformat()}"


def _texts(who: Particulars) -> Iterator[tuple[str, str]]:
    born = who.birth_date.isoformat()
    whole = fold_name(who.family_name, who.given_names)
    yield "name_birth", f"{whole}|{born}"
    yield "name", whole
    for kind, name in (("family", who.family_name), ("given", who.given_names)):
        tokens = name_tokens(name)
        for part in (fold_name(name), *tokens):
            if part:
                yield f"{kind}_birth", f"{part}|{born}"
                yield kind, part
    if who.email.strip():
        yield "email", fold_email(who.email)
    if len(fold_phone(who.phone)) >= LEAST_DIGITS:
        yield "phone", fold_phone(who.phone)


def search_texts(text: str) -> list[tuple[str, str]]:
    """Return the (kind, text) pairs under which somebody sought by name, e-mail or phone would be filed."""
    if "@" in text:
        return [("email", fold_email(text))]
    digits = fold_phone(text)
    if len(digits) >= LEAST_DIGITS and not any(character.isalpha() for character in text):
        return [("phone", digits)]
    folded = fold_name(text)
    return [(kind, folded) for kind in ("name", "family", "given")] if folded else []
