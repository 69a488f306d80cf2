"""How people sign in, in words, for lists of several people."""

from collections import defaultdict
from collections.abc import Sequence

from allauth.mfa.models import Authenticator

from studylab.people.models import User

ALONE = "password alone"
_WORDS = {"totp": "one-time codes", "webauthn": "passkey"}


def second_steps_in_words(users: Sequence[User]) -> dict[int, str]:
    """Return for each person, by number, which second step they have, in one query; recovery codes are none."""
    rows = Authenticator.objects.filter(user__in=users, type__in=_WORDS).order_by("type")
    kinds: dict[int, dict[str, None]] = defaultdict(dict)
    for pk, kind in rows.values_list("user", "type"):
        kinds[pk][_WORDS[kind]] = None
    return {user.pk: " and ".join(kinds[user.pk]) or ALONE for user in users}
