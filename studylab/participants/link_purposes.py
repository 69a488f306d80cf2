"""What a personal link can be for. The app whose pages stand behind a link registers its purpose once.

A purpose is a member of `PersonalLink.Purpose`; its pages declare it with `studylab.access.link_page`.
"""

from collections.abc import Callable
from dataclasses import dataclass

from studylab.participants.models import Participant


@dataclass(frozen=True, slots=True)
class LinkPurpose:
    """One purpose.

    `start` is the name of the first page behind the link. `written(participant)` says whether that page would
    show something of the person's. `languages(participant)` are those in which every page is complete.
    `stays(participant)` says whether the pages stay open for somebody who no longer takes part.
    """

    start: str
    written: Callable[[Participant], bool]
    languages: Callable[[Participant], tuple[str, ...]]
    stays: Callable[[Participant], bool] = lambda participant: participant.is_active


_registered: dict[str, LinkPurpose] = {}


def register_link_purpose(key: str, purpose: LinkPurpose) -> None:
    """Register what stands behind links of a purpose; a purpose registered again replaces its predecessor."""
    _registered[key] = purpose


def link_purpose(key: str) -> LinkPurpose:
    """Return what stands behind links of a purpose; KeyError for one that nobody registered."""
    return _registered[key]
