"""Help for the page somebody comes from, by search, and as a list with one's own role first."""

from typing import Any

from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from studylab.access import ROLE_NAMES, Cap, Role, requires
from studylab.help.coverage import staff_pages
from studylab.help.rules.search import LONGEST_QUERY, find
from studylab.help.rules.topics import Topic, load_help
from studylab.http import StaffRequest
from studylab.nav import url_or_none


@requires(Cap.HOME_VIEW)
@require_GET
def help_study(request: StaffRequest, study: str) -> HttpResponse:
    """Help inside a study, with links to the pages that the role opens."""
    return _help(request)


@requires(Cap.SIGNED_IN)
@require_GET
def help_site(request: StaffRequest) -> HttpResponse:
    """Help for somebody signed in who is in no study at this moment."""
    return _help(request)


def _help(request: StaffRequest) -> HttpResponse:
    """Answer the whole page, or the part that a panel beside another page shows."""
    known, roles = load_help(), request.actor.roles
    page, query = request.GET.get("page", ""), request.GET.get("q", "").strip()
    chosen = known.for_page(page)
    if key := request.GET.get("topic", ""):
        chosen = known.by_key(key)
        if chosen is None:
            raise Http404
    wanted = request.GET.get("all") != "1" and not query
    context: dict[str, Any] = {
        "page": page, "query": query, "longest": LONGEST_QUERY,
        "topic": chosen if wanted else None,
        "links": _links(request, chosen) if wanted and chosen else [],
        "roles_of_topic": _role_text(chosen),
        "found": find(known.topics, query, roles) if query else None,
        "page_is_unknown": bool(page) and chosen is None and wanted,
    }  # fmt: skip
    if not (context["topic"] or query):
        context["groups"] = _groups(list(known.topics), roles)
    template = "help/_part.html" if request.headers.get("HX-Request") else "help/help.html"
    return render(request, template, context)


def _groups(topics: list[Topic], roles: frozenset[Role]) -> list[tuple[str, list[Topic]]]:
    """Return all topics under headings: one's day, the worst days, one's own pages, then those of others."""
    mine = [one for one in topics if not roles or one.is_for(roles)]
    others = [one for one in topics if one not in mine]
    groups = [
        ("Your day" if roles else "A day of each role", [one for one in mine if one.kind == "day"]),
        ("When something goes badly wrong", [one for one in topics if one.kind == "worst"]),
        ("Pages for your role" if roles else "Pages", [one for one in mine if one.kind == "page"]),
        ("For other roles", [one for one in others if one.kind != "worst"]),
    ]
    return [(title, ones) for title, ones in groups if ones]


def _links(request: StaffRequest, topic: Topic) -> list[tuple[str, str]]:
    """Return the pages to go to that this person may open, as address and label."""
    pages, links = staff_pages(), []
    slug = request.study.slug if request.study is not None else None
    for name, label in topic.links:
        url = url_or_none(name, slug)
        if url and pages.get(name, set()) & {Cap.SIGNED_IN, *request.actor.caps}:
            links.append((url, label))
    return links


def _role_text(topic: Topic | None) -> str:
    """Return for whom a topic is, in words; "" for everybody."""
    if topic is None:
        return ""
    return ", ".join(name for role, name in ROLE_NAMES.items() if role in topic.roles)
