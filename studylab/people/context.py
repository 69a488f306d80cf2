"""What every page needs to know about who is looking at it."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest
from django.utils.functional import SimpleLazyObject

from studylab import clock
from studylab.access import Actor
from studylab.nav import current_section, linked_sections, url_or_none
from studylab.people.selectors import studies_of
from studylab.people.selectors.devices import sign_in_elsewhere


def page(request: HttpRequest) -> dict[str, Any]:
    """Return study, actor, the sections this person has, and the addresses of the page frame.

    A view may name its section itself by putting `current_section` into its own context.
    """
    study = getattr(request, "study", None)
    actor = getattr(request, "actor", None)
    sections = linked_sections(actor, study.slug) if study is not None else []
    match = getattr(request, "resolver_match", None)
    name = (match.url_name if match else None) or ""
    return {
        "study": study,
        "actor": actor,
        "sections": sections,
        "page_name": name,
        "help_url": _help_url(actor, study),
        "about_url": url_or_none("about"),
        "current_section": current_section(name, request.path, sections),
        "home_url": url_or_none("home", study.slug if study is not None else None),
        "sign_out_url": url_or_none("sign_out"),
        "my_sign_in_url": url_or_none("my_sign_in"),
        "still_url": url_or_none("still_here"),
        "studies_url": SimpleLazyObject(lambda: _studies_url(request, study)),
        "device": getattr(request, "device", None),
        "idle_seconds": round(settings.SIGN_IN_IDLE.total_seconds()),
        "elsewhere": SimpleLazyObject(lambda: _elsewhere(request)),
        "set_clock": clock.now() if settings.CLOCK_OFFSET and actor is not None else None,
    }


def _help_url(actor: Actor | None, study: Any) -> str | None:
    """Return where the help of the staff stands; None for volunteers and whoever is not signed in."""
    if actor is None or actor.user_id is None:
        return None
    return url_or_none("help_site") if study is None else url_or_none("help", study.slug)


def _studies_url(request: HttpRequest, study: Any) -> str:
    """Return where to change study, or "" for somebody who has one study only."""
    url = url_or_none("studies") or url_or_none("home_site") or ""
    user = getattr(request, "user", None)
    if study is None or user is None or not user.is_authenticated:
        return ""
    return url if studies_of(user, besides=study).exists() else ""


def _elsewhere(request: HttpRequest) -> Any:
    """Return where else this person is signed in, or None."""
    sign_in = getattr(request, "sign_in", None)
    return None if sign_in is None else sign_in_elsewhere(sign_in, clock.now())
