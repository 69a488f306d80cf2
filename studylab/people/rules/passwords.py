"""What a password must be, by NIST SP 800-63B-4, 3.1.1.2: length, and nothing about which signs. Pure.

Every code point counts as one, nothing is cut off, and any sign is allowed, spaces too. Lists of common passwords are
asked by the services.
"""

import itertools
import unicodedata

ALONE = 15  # where the password is the only thing that is shown
WITH_SECOND_STEP = 8
LONGEST = 256  # at least 64 must be allowed; the limit keeps hashing short
SITE_WORDS = ("studylab",)


def as_hashed(password: str) -> str:
    """Return the password in the form that is hashed: composed alike on every keyboard (NFKC)."""
    return unicodedata.normalize("NFKC", password)


def length_problem(password: str, minimum: int) -> str:
    """Return what is wrong with the length, in words; "" when nothing is."""
    if len(password) < minimum:
        return f"This password has {len(password)} signs. Choose one of at least {minimum}: several unrelated words, for example."
    if len(password) > LONGEST:
        return f"This password has {len(password)} signs, more than the {LONGEST} that are kept. Choose a shorter one."
    return ""


def guessable(password: str, words: tuple[str, ...]) -> str:
    """Return why somebody who knows this person and this site would guess the password; "" when they would not.

    It is refused when nothing but such words, repeated signs or digits behind a name, or a run like "1234", is left of it.
    """
    rest = password.casefold()
    for word in sorted({word.casefold() for word in (*SITE_WORDS, *words)}, key=len, reverse=True):
        if len(word) >= 3:
            rest = rest.replace(word, "")
    signs = [sign for sign in rest if not sign.isspace()]
    only_digits = rest != password.casefold() and all(s.isdigit() for s in signs if s.isalnum())
    if len(set(signs)) < 3 or _is_run(signs) or only_digits:
        return "This password is a name of this site or your own, or one sign again and again. Choose something else."
    return ""


def _is_run(signs: list[str]) -> bool:
    steps = {ord(after) - ord(before) for before, after in itertools.pairwise(signs)}
    return len(signs) > 2 and (steps <= {1} or steps <= {-1})
