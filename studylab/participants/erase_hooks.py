"""What would be hard to do once nobody can be reached any more, as the apps above know it.

Each app registers its part once, in `AppConfig.ready`: a function that takes the volunteer and returns sentences.
"""

from collections.abc import Callable

from studylab.participants.models import Participant

Part = Callable[[Participant], list[str]]
_registered: dict[str, Part] = {}


def register_erase_check(name: str, part: Part) -> None:
    """Register one app's part; the same name again replaces it."""
    _registered[name] = part


def also_open(participant: Participant) -> list[str]:
    """Return what the apps above say is still open with this volunteer."""
    return [sentence for part in _registered.values() for sentence in part(participant)]
