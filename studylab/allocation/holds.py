"""Why no allocation number may be issued in a study now. An app above tells, once, in its `AppConfig.ready`."""

from collections.abc import Callable

_asked: list[Callable[[int], str]] = []


def register_issue_hold(ask: Callable[[int], str]) -> None:
    """Add a reason to wait; `ask` takes a study and returns a full sentence, or "" when numbers may be issued."""
    if ask not in _asked:
        _asked.append(ask)


def issue_held(study_id: int) -> str:
    """Return the first reason against issuing a number, "" when there is none."""
    return next((why for ask in _asked if (why := ask(study_id))), "")
