"""Starting passwords: long enough to stand alone, easy to read aloud and to type once."""

from collections.abc import Callable

# Without signs that look or sound alike; 28 signs give 4.8 bits each, 20 of them 96 bits.
SIGNS = "abcdefghjkmnpqrstuvwxyz23456"
GROUPS = 4
GROUP_LENGTH = 5


def starting_password(pick: Callable[[str], str]) -> str:
    """Return a password of four groups of five signs; `pick` chooses one sign (`secrets.choice`)."""
    groups = ("".join(pick(SIGNS) for _ in range(GROUP_LENGTH)) for _ in range(GROUPS))
    return "-".join(groups)
