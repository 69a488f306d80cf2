"""Times of which the record knows nothing, since the site was put back to an earlier moment: messages of then may have gone out.

An app above tells of them, once, in its `AppConfig.ready`.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

MAY_BE_OUT = (
    "The site was restored from a backup. This was due in the time of which the record knows nothing, "
    "so it may have gone out already."
)


@dataclass(frozen=True, slots=True)
class Gap:
    """From the moment of the backup until somebody said that everything is entered again; None: not yet."""

    study_id: int
    since: datetime
    until: datetime | None

    def holds(self, at: datetime) -> bool:
        """Whether what was due at `at` may have gone out already."""
        return self.until is not None and self.since < at <= self.until


Ask = Callable[[Collection[int] | None], Sequence[Gap]]
_ask: Ask | None = None


def register_gaps(ask: Ask) -> None:
    """Let this app know of gaps; `ask` takes the studies it is asked about, None for all."""
    global _ask
    _ask = ask


def gaps_of(studies: Collection[int]) -> Sequence[Gap]:
    """Return the gaps of some studies."""
    return _ask(studies) if _ask is not None and studies else ()


def held_studies() -> list[int]:
    """Return the studies whose volunteers get no message until somebody said that all is entered again."""
    return sorted({gap.study_id for gap in _ask(None) if gap.until is None}) if _ask else []
