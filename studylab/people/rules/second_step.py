"""Who must sign in with a second step. Pure."""

from collections.abc import Collection

from studylab.access import Role

# Whoever can read arms, open a code or release a dose: a password alone is never enough there.
ALWAYS = frozenset({Role.PHARMACIST, Role.CLINICIAN})
CHOOSABLE = tuple(role for role in Role if role not in ALWAYS)


def roles_need(roles: Collection[str], chosen: Collection[str]) -> bool:
    """Whether one of these roles of a study needs a second step; `chosen` are the roles that the study added."""
    return any(role in ALWAYS or role in chosen for role in roles)
