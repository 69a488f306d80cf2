"""How people sign in, in words, for lists of several people."""

from collections.abc import Sequence

from studylab.people.models import User


def second_steps_in_words(users: Sequence[User]) -> dict[int, str]:
    """Return for each person, by number, whether a second step is asked for besides the password."""
    return dict.fromkeys((user.pk for user in users), "password alone")
