"""What must be finished before a study is closed, as the apps above know it.

Each app registers its part once, in `AppConfig.ready`: a function that takes the study and returns what is still open,
as sentences.
"""

from collections.abc import Callable

from studylab.studies.models import Study

Part = Callable[[Study], list[str]]
_registered: dict[str, Part] = {}


def register_close_check(name: str, part: Part) -> None:
    """Register one app's part; the same name again replaces it."""
    _registered[name] = part


def still_open(study: Study) -> list[str]:
    """Return everything that stands in the way of closing the study."""
    return [sentence for part in _registered.values() for sentence in part(study)]
