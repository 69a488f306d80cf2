"""One way to show a form about an event, a deviation or a pause: heading, what it is about, the form."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.forms import BaseForm
from django.http import HttpResponse
from django.urls import reverse

from studylab.http import StaffRequest, answer_form, next_url
from studylab.participants.models import AdverseEvent, Deviation
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
    """Return the address of the page of an event or a deviation."""
    name = "event" if isinstance(subject, AdverseEvent) else "deviation"
    return reverse(name, args=[request.study.slug, subject.uid])


def answer_act(
    request: StaffRequest,
    *,
    act: Act,
    form: BaseForm,
    write: Callable[[], object],
    subject: Subject | None = None,
    back: str = "",
    context: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show or take the form of an act; it leads back to where somebody came from, or to its subject's page."""
    home = next_url(request) or back or (page_of(request, subject) if subject else "")
    shown: dict[str, Any] = {"act": act, "back": home, "next": next_url(request)}
    if isinstance(subject, AdverseEvent):
        shown |= {"event": subject, "entry": newest_entry(subject)}
    elif subject is not None:
        shown["deviation"] = subject
    return answer_form(
        request, form=form, template=act.template, write=write, done=lambda _: home,
        message=act.done, context={**shown, **(context or {})},
    )  # fmt: skip
