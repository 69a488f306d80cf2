"""What somebody who leaves a study still holds, and what follows once they hold no role anywhere: each app says its part.

Each app registers once, in `AppConfig.ready`.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from django.urls import resolve

from studylab.access import Actor

if TYPE_CHECKING:
    from studylab.people.models import User
    from studylab.studies.models import Study


@dataclass(frozen=True, slots=True)
class Held:
    """One sort of thing that somebody still holds: a sentence that says what to do with it, and where that is done."""

    text: str
    url: str = ""
    look: str = "Look at it"


Part = Callable[["Study", "User"], Iterable[Held]]
Gone = Callable[["User", str, Actor], str]
_parts: dict[str, Part] = {}
_gone: dict[str, Gone] = {}


def register_held(name: str, part: Part) -> None:
    """Register what one app knows that somebody holds; the same name again replaces it."""
    _parts[name] = part


def register_gone(name: str, act: Gone) -> None:
    """Register what one app does, inside the caller's transaction, when somebody has no role in any study left.

    It returns a sentence for whoever ended the last role, or "".
    """
    _gone[name] = act


def held_by(study: "Study", user: "User", actor: Actor) -> list[Held]:
    """Return everything that somebody still holds in a study; pages that do not open to the actor are not linked."""
    found = [held for part in _parts.values() for held in part(study, user)]
    return [held if _opens(held.url, actor) else replace(held, url="") for held in found]


def _opens(url: str, actor: Actor) -> bool:
    return bool(url) and actor.may(resolve(url.partition("?")[0]).func.required_capability)  # type: ignore[attr-defined]


def carry_out_gone(user: "User", reason: str, actor: Actor) -> list[str]:
    """Let every app do its part for somebody without a role; return what they did."""
    return [said for act in _gone.values() if (said := act(user, reason, actor))]


def counted(number: int, one: str, several: str = "") -> str:
    """Return a number with its word, for example "2 visits"."""
    return f"{number} {one if number == 1 else several or one + 's'}"
