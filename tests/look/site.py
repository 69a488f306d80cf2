"""A small site for tests of the page frame: every section, and pages that refuse or break."""

from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth.views import LoginView, LogoutView
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template import engines
from django.urls import include, path
from django.views.decorators.http import require_GET

from studylab.access import Cap, requires
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.nav import SECTIONS

PARTS = """{% extends "base.html" %}{% block title %}Parts{% endblock %}{% block content %}<h1>Parts</h1>
{% include "parts/state.html" with kind="stop" word="on hold" %}{% include "parts/reasons.html" %}
{% include "parts/facts.html" %}{% include "parts/empty.html" with text="No visits today." %}
<div class="table-wrap"><table class="table"><thead><tr><th>Code</th><th>When</th></tr></thead>
<tbody><tr><th scope="row">SL-1</th><td>Mon 12 Jan 2026</td></tr></tbody></table></div>
{% include "parts/pager.html" %}{% include "parts/form.html" with submit="Record" cancel="/" %}{% endblock %}"""


class Reading(forms.Form):
    """One of each kind of field."""

    pulse = forms.IntegerField(label="Pulse", help_text="Per minute.")
    asthma = forms.ChoiceField(
        label="Asthma?", widget=forms.RadioSelect, choices=[("y", "Yes"), ("n", "No")]
    )
    cuff = forms.ChoiceField(label="Cuff", choices=[("", "choose"), ("m", "medium")])
    note = forms.CharField(label="Note", required=False, widget=forms.Textarea)
    seen = forms.BooleanField(label="I have seen the person")

    def clean(self) -> None:
        """Refuse everything, for the sake of the summary."""
        self.add_error(None, "The readings do not fit each other.")


@requires(Cap.HOME_VIEW)
def parts(request: HttpRequest, study: str) -> HttpResponse:
    """All parts on one page; a POST shows the form with its errors."""
    context: dict[str, Any] = {
        "form": Reading(request.POST if request.method == "POST" else None),
        "reasons": ["Pre-dose vitals are missing."], "facts": [("Code", "SL-1"), ("Physician", None)],
        "page": Paginator(range(30), 10).page(2),
    }  # fmt: skip
    messages.success(request, "Saved.")
    return HttpResponse(engines["django"].from_string(PARTS).render(context, request))


@requires(Cap.HOME_VIEW)
def page(request: HttpRequest, study: str) -> HttpResponse:
    """Any page of the study."""
    return render(request, "parts/confirm_page.html", {"heading": "Sure?", "form": forms.Form()})


@requires(Cap.LIST_MANAGE)
def pharmacist_only(request: HttpRequest, study: str) -> HttpResponse:
    """A page of one role."""
    return HttpResponse("list")


@requires(Cap.HOME_VIEW)
@require_GET
def only_read(request: HttpRequest, study: str) -> HttpResponse:
    """A page that takes nothing."""
    return page(request, study=study)


def raiser(exception: Exception, cap: Cap = Cap.HOME_VIEW) -> Any:
    """Return a view that raises `exception`."""

    @requires(cap)
    def view(request: HttpRequest, **kwargs: str) -> HttpResponse:
        raise exception

    return view


study_urls = [
    path("parts/", parts, name="parts"),
    path("", page, name="home"),
    *(
        path(f"{section.key}/", page, name=section.key)
        for section in SECTIONS
        if section.key != "record"
    ),
    path("visits/1/", page, name="visit"),
    path("needs/", page, name="needs"),
    path("needs/count/", page, name="needs_count"),
    path("only-read/", only_read, name="only_read"),
    path("list/", pharmacist_only, name="list"),
    path("conflict/", raiser(Conflict("Room 2 was taken a moment ago. Choose another time."))),
    path("refused/", raiser(Refused("The number is issued after the sign-off."))),
    path(
        "gate/",
        raiser(RefusedWithReasons("The dose was not recorded.", ["The pulse is 44 per minute."])),
    ),
    path("not-allowed/", raiser(NotAllowed("Only a clinician may release a hold."))),
]
urlpatterns = [
    path(
        "sign-in/",
        requires(Cap.ANYONE)(LoginView.as_view(template_name="people/sign_in.html")),
        name="sign_in",
    ),
    path("sign-out/", requires(Cap.ANYONE)(LogoutView.as_view()), name="sign_out"),
    path("bug/", raiser(ZeroDivisionError("a fault of ours"), Cap.ANYONE)),
    path("s/<slug:study>/", include(study_urls)),
]
handler400 = "studylab.people.views.errors.malformed"
handler403 = "studylab.people.views.errors.refused"
handler404 = "studylab.people.views.errors.not_found"
handler500 = "studylab.people.views.errors.broken"
