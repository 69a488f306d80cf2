"""Whether every page of the staff has its help, and every help its page: a check of Django's."""

from collections.abc import Iterator
from typing import Any

from django.core.checks import CheckMessage, Warning
from django.urls import URLPattern, URLResolver, get_resolver

from studylab.access import ROLE_CAPS, Cap, Role
from studylab.help.rules.topics import Help, load_help

# Pages of volunteers, and those before somebody is known, explain themselves.
_NOT_STAFF = {Cap.ANYONE, Cap.LINK_HOLDER}


def staff_pages() -> dict[str, set[Cap]]:
    """Return the names of addresses that somebody signed in may open, each with the capabilities it asks for."""
    found: dict[str, set[Cap]] = {}
    for pattern in _patterns(get_resolver().url_patterns):
        cap = getattr(pattern.callback, "required_capability", None)
        if pattern.name and cap is not None and cap not in _NOT_STAFF:
            found.setdefault(pattern.name, set()).add(cap)
    return found


def _patterns(entries: list[Any]) -> Iterator[URLPattern]:
    for entry in entries:
        if isinstance(entry, URLResolver):
            yield from _patterns(entry.url_patterns)
        else:
            yield entry


def problems(help_: Help, pages: dict[str, set[Cap]]) -> list[str]:
    """Return what does not fit between the texts and the addresses, each with what to do."""
    named = {page for topic in help_.topics for page in topic.pages} | set(help_.without)
    found = [
        f"The page {page} has no help: name it in a topic below studylab/help/topics/, or under [without] with the reason."
        for page in sorted(set(pages) - named)
    ]
    found += [
        f"Help names the page {page}, which does not exist." for page in sorted(named - set(pages))
    ]
    for topic in help_.topics:
        found += [
            f"Help {topic.key} links to {page}, which does not exist."
            for page, _ in topic.links
            if page not in pages
        ]
        for role in sorted(topic.roles):
            asked = {cap for page in topic.pages for cap in pages.get(page, set())}
            if asked and not asked & {*ROLE_CAPS[Role(role)], Cap.SIGNED_IN}:
                found.append(f"Help {topic.key} is for the {role}, who can open none of its pages.")
    return found


def check_pages(app_configs: Any = None, **_: Any) -> list[CheckMessage]:
    """Answer Django's check; a page without help is a fault, but none that keeps a site from running."""
    return [Warning(text, id="help.W001") for text in problems(load_help(), staff_pages())]
