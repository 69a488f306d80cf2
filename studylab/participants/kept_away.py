"""Where the apps above say who of the staff is kept away from a volunteer for a relation (field case F-20).

This app cannot read their tables, yet consents and the pages of a volunteer are closed to them. The app that holds the
decisions registers its reader once, in `AppConfig.ready`.
"""

from collections.abc import Callable
from uuid import UUID

from studylab.access import Actor, Cap
from studylab.errors import Refused
from studylab.participants.models import Participant

# Pages that show or change a volunteer's record. What an emergency needs stays open to everybody whose role has it.
CLOSED = frozenset(
    {
        Cap.VOLUNTEER_VIEW, Cap.HEALTH_VIEW, Cap.CONSENT_RECORD, Cap.QUESTIONS_RECORD, Cap.SIGN_OFF,
        Cap.ARM_TELL, Cap.PAYMENTS,
    }
)  # fmt: skip
SOMEBODY_ELSE = "Somebody else works with this volunteer. Hand the tablet over."

Reader = Callable[[int, str, int], bool]
NumberReader = Callable[[int, UUID, int], bool]
_readers: list[Reader] = []
_by_number: dict[str, NumberReader] = {}


def register_kept_away(reader: Reader) -> None:
    """Register what says whether a user is kept away from a volunteer: (id of the study, code, id of the user)."""
    _readers[:] = [reader]


def is_kept_away(study_id: int, code: str, user_id: int | None) -> bool:
    """Whether this person of the staff is kept away from the volunteer with this code."""
    return user_id is not None and any(reader(study_id, code, user_id) for reader in _readers)


def register_kept_away_by(part: str, reader: NumberReader) -> None:
    """Close addresses that name a volunteer by the number of something, with `part` in their route.

    `part` ends in "<uuid:uid>/"; `reader` takes (id of the study, that number, id of the user). All such pages are
    closed but those marked `open_to_kept_away`.
    """
    _by_number[part] = reader


def is_kept_away_by(route: str, study_id: int, uid: UUID, user_id: int | None) -> bool:
    """Whether this person of the staff is kept away from the volunteer whom a route of `register_kept_away_by` is about."""
    return user_id is not None and any(
        reader(study_id, uid, user_id) for part, reader in _by_number.items() if part in route
    )


def check_not_away(participant: Participant, actor: Actor) -> None:
    """Refuse whoever is kept away from the volunteer."""
    if is_kept_away(participant.study_id, participant.code, actor.user_id):
        raise Refused(SOMEBODY_ELSE, code="somebody_else")
