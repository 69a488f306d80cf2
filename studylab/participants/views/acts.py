"""One way to show a form about an event, a deviation or a pause: heading, what it is about, the form."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.forms import BaseForm
from django.http import HttpResponse
from django.urls import reverse

from studylab.http import StaffRequest, answer_form, next_url
from studylab.participants.kept_away import is_kept_away
from studylab.participants.models import AdverseEvent, Deviation
from studylab.participants.selectors import shown_deviation
from studylab.participants.selectors.events import newest_entry

Subject = AdverseEvent | Deviation


@dataclass(frozen=True, slots=True)
class Act:
    """What a page asks for: its heading, a sentence under it, the button, and what a signature means."""

    heading: str
    lead: str
    submit: str
    done: str
    meaning: str = ""
    template: str = "participants/events/act.html"


def page_of(request: StaffRequest, subject: Subject) -> str:
    """Return the address of the page of an event or a deviation; of the list for who is kept away from the volunteer."""
    person = subject.participant
    if person and is_kept_away(request.study.pk, person.code, request.actor.user_id):
        return reverse("safety", args=[request.study.slug])
    name = "event" if isinstance(subject, AdverseEvent) else "deviation"
    return reverse(name, args=[request.study.slug, subject.uid])


def shown_of(subject: Subject) -> str:
    """Return what the form about an event or a deviation was filled in over."""
    if isinstance(subject, AdverseEvent):
        return f"{newest_entry(subject).pk}"
    return shown_deviation(subject)


def answer_act(
    request: StaffRequest,
    *,
    act: Act,
    form: BaseForm,
    write: Callable[[], object],
    subject: Subject | None = None,
    back: str = "",
    shown: str = "",
    edits: Callable[[], BaseForm] | None = None,
    context: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show or take the form of an act; it leads back to where somebody came from, or to its subject's page."""
    seen = shown_of(subject) if subject else shown
    home = next_url(request) or back or (page_of(request, subject) if subject else "")
    page: dict[str, Any] = {"act": act, "back": home, "next": next_url(request)}
    if isinstance(subject, AdverseEvent):
        page |= {"event": subject, "entry": newest_entry(subject)}
    elif subject is not None:
        page["deviation"] = subject
    return answer_form(
        request, form=form, template=act.template, write=write, done=lambda _: home,
        message=act.done, shown=seen, edits=edits, context={**page, **(context or {})},
    )  # fmt: skip
