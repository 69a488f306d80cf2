"""Participant codes and kit numbers that a slip of the pen cannot turn into another valid one.

The last character is the check character of ISO/IEC 7064 MOD 37-2 over 0-9A-Z: every single wrong character
and every swap of neighbours is caught. That system now and then asks for "*" as check character, so bodies
whose check character would be "*" are never issued. Neither are those whose check character is one of
I L O S U, which no code contains because they are misread as 1, 1, 0, 5 and V.

A code is written with one hyphen: participants "HT-000479" (two letters of the study, five digits, check
character), kits "9F79-BK9" (six random characters, check character). The two kinds differ in length.
Length is fixed because leading zeros do not change a check character.
"""

from collections.abc import Callable
from functools import cache
from typing import Literal

FULL_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"  # "*" has the value 36 and stands last only
ALPHABET = "0123456789ABCDEFGHJKMNPQRTVWXYZ"  # what codes are made of
LOOKALIKES = {"I": "1", "L": "1", "O": "0", "S": "5", "U": "V"}

Kind = Literal["participant", "kit"]
PREFIX_LENGTH = 2
SERIAL_DIGITS = 5
KIT_BODY = 6
LENGTHS: dict[Kind, int] = {"participant": PREFIX_LENGTH + SERIAL_DIGITS + 1, "kit": KIT_BODY + 1}
HYPHEN_AFTER: dict[Kind, int] = {"participant": PREFIX_LENGTH, "kit": 4}

_MODULUS, _RADIX = 37, 2
_DROPPED = dict.fromkeys(map(ord, " \t\r\n\u00a0\u2009\u202f-\u2010\u2011\u2012\u2013"))
# Only ASCII letters are folded: str.upper() would turn a dotless i or a sharp s into other letters.
_FOLD = _DROPPED | {ord(c): c.upper() for c in "abcdefghijklmnopqrstuvwxyz"}


def _folded(text: str) -> str:
    return text.translate(_FOLD)


def _state(body: str, state: int = 0) -> int:
    for character in body:
        state = (state + FULL_ALPHABET.index(character)) * _RADIX % _MODULUS
    return state


def check_character(body: str) -> str:
    """Return the MOD 37-2 check character of `body` (0-9, A-Z, any case); "*" stands for 36.

    ValueError when the body is empty or holds anything else.
    """
    folded = _folded(body)
    if not folded or any(c not in FULL_ALPHABET[:-1] for c in folded):
        raise ValueError("A code body is made of the digits 0-9 and the letters A-Z.")
    return FULL_ALPHABET[(1 - _state(folded)) % _MODULUS]


def normalise(text: str) -> str:
    """Return `text` the way codes are stored: upper case, no spaces, one hyphen where its kind has it.

    Says nothing about whether the code is right; text of another length only loses spaces and hyphens.
    """
    folded = _folded(text)
    for kind, length in LENGTHS.items():
        if len(folded) == length:
            after = HYPHEN_AFTER[kind]
            return f"{folded[:after]}-{folded[after:]}"
    return folded


def is_valid(code: str, kind: Kind | None = None) -> bool:
    """Whether `code`, in any case and spacing, is a right code (of the kind, when one is named)."""
    return explain(code, kind) is None


def explain(text: str, kind: Kind | None = None) -> str | None:
    """Return why `text` is not a right code in words for a form, or None when it is right."""
    folded = _folded(text)
    if not folded:
        return "Enter the code."
    for character in folded:
        if character in LOOKALIKES:
            return (
                f"Codes never contain the letter {character}. "
                f"Is it {LOOKALIKES[character]}? Look at the label again."
            )
        if character not in ALPHABET:
            return f"“{character}” is not a character of a code. Use digits and plain letters only."
    lengths = [LENGTHS[kind]] if kind else sorted(LENGTHS.values())
    if len(folded) not in lengths:
        wanted = " or ".join(str(length) for length in lengths)
        return f"A code has {wanted} characters without the hyphen, this one has {len(folded)}."
    if len(folded) == LENGTHS["participant"] and not _has_participant_shape(folded):
        return "A participant code is two letters, five digits and one check character."
    if set(folded[:-1]) == {"0"}:
        return "A code of zeros is never given out."
    if check_character(folded[:-1]) != folded[-1]:
        return (
            "The check character does not fit: a character is wrong or two are swapped. "
            "Compare it with the label."
        )
    return None


def _has_participant_shape(folded: str) -> bool:
    prefix, digits = folded[:PREFIX_LENGTH], folded[PREFIX_LENGTH:-1]
    return prefix.isalpha() and digits.isdigit()  # ASCII is certain here


@cache
def _completions(state: int, digits: int) -> int:
    """How many strings of `digits` digits lead from `state` to a check character that codes may have."""
    if digits == 0:
        return int(FULL_ALPHABET[(1 - state) % _MODULUS] in ALPHABET)
    return sum(_completions((state + d) * _RADIX % _MODULUS, digits - 1) for d in range(10))


def participant_code(serial: int, prefix: str) -> str:
    """Return the code of participant number `serial` (from 1) with the two letters `prefix`.

    The same serial and prefix always give the same code, and codes rise with the serial. ValueError when
    the prefix is not two letters of `ALPHABET` or the numbers of this prefix are used up.
    """
    letters = _folded(prefix)
    if len(letters) != PREFIX_LENGTH or any(c not in ALPHABET or c.isdigit() for c in letters):
        raise ValueError(f"A code prefix is two letters without I, L, O, S, U; got {prefix!r}.")
    start = state = _state(letters)
    zeros_issued = _completions(_state("0" * SERIAL_DIGITS, start), 0)
    rank = serial - 1 + zeros_issued  # numbers begin at 1: the all-zero number is passed over
    if serial < 1 or rank >= _completions(start, SERIAL_DIGITS):
        raise ValueError(f"There is no participant code number {serial} with prefix {letters}.")
    body = letters
    for left in range(SERIAL_DIGITS - 1, -1, -1):
        for digit in range(10):
            following = (state + digit) * _RADIX % _MODULUS
            count = _completions(following, left)
            if rank < count:
                break
            rank -= count
        body, state = f"{body}{digit}", following
    return normalise(body + check_character(body))


def prefix_from(text: str) -> str:
    """Return a prefix from the first usable letters of `text` (a study's short name), filled up with X."""
    letters = [c for c in _folded(text) if c in ALPHABET and not c.isdigit()]
    return "".join([*letters, "X", "X"][:PREFIX_LENGTH])


def kit_number(random_below: Callable[[int], int]) -> str:
    """Return a random kit number; `random_below(n)` gives an integer from 0 to n-1.

    Numbers carry neither order nor content; whoever stores one must refuse a repeat and draw again.
    """
    while True:
        body = "".join(ALPHABET[random_below(len(ALPHABET))] for _ in range(KIT_BODY))
        check = check_character(body)
        if check in ALPHABET and set(body) != {"0"}:
            return normalise(body + check)
