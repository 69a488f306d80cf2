"""What the apps above do once the limits of a protocol version are confirmed.

Each app registers its part once, in `AppConfig.ready`. A part runs after the confirmation is committed, so it
must not be the only thing that notices: a sweep finds what a lost knock dropped.
"""

from collections.abc import Callable
from functools import partial

from django.db import transaction

_registered: dict[str, Callable[[int], None]] = {}


def register_confirm_hook(name: str, part: Callable[[int], None]) -> None:
    """Register one app's part, which takes the study's id; the same name again replaces it."""
    _registered[name] = part


def tell_confirmed(study_id: int) -> None:
    """Run every part once the present transaction is committed."""
    for part in _registered.values():
        transaction.on_commit(partial(part, study_id))
