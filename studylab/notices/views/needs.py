"""What needs me; the count in the header; my notices; red things, for the lead."""

from datetime import datetime

from django import forms
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import clock
from studylab.access import Cap, in_background, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.notices.rules.urgency import grouped
from studylab.notices.selectors.needs import (
    escalated_to,
    needs_of,
    read_states,
    red_things,
    things_for,
    wish_of,
)
from studylab.notices.services.reading import notices_read, notices_shown, wish_set


class WishForm(forms.Form):
    """Whether and when somebody wants a digest of the day."""

    digest = forms.BooleanField(label="Send me a digest of the day", required=False)
    hour = forms.IntegerField(
        label="At which hour (0 to 23, the study's time)", min_value=0, max_value=23
    )


@requires(Cap.HOME_VIEW)
@require_GET
def needs(request: StaffRequest, study: str) -> HttpResponse:
    """List what needs the actor, urgent first, and what went on to their role."""
    actor, now = request.actor, clock.now()
    assert actor.user_id is not None, "a page of staff"
    things = things_for(request.study, actor.roles, now)
    went_on = escalated_to(request.study, [role.value for role in actor.roles])
    pairs = [(one.key, one.state) for one in things] + [(row.key, row.state) for row, _ in went_on]
    notices_shown(study=request.study, things=pairs, actor=actor)
    read = read_states(request.study, [key for key, _ in pairs], actor.user_id)
    context = {
        "groups": grouped([(one, (one.key, one.state) in read) for one in things]),
        "went_on": [(row, step, (row.key, row.state) in read) for row, step in went_on],
    }
    return render(request, "notices/needs.html", context)


@requires(Cap.HOME_VIEW)
@in_background
@require_GET
def needs_count(request: StaffRequest, study: str) -> HttpResponse:
    """Answer the count anew, with what is new in words; 204 where nothing changed since `mark`."""
    assert request.actor.user_id is not None, "a page of staff"
    found = needs_of(
        request.study, request.actor.user_id, [role.value for role in request.actor.roles]
    )
    if found.mark == request.GET.get("mark"):
        return HttpResponse(status=204)
    after = _moment(request.GET.get("at", ""))
    new = [row for row in found.rows if after is not None and row.changed_at > after]
    context = {
        "needs": found, "now": clock.now(), "is_answer": True, "new": len(new),
        "new_urgent": sum(row.shape == "stop" for row in new),
    }  # fmt: skip
    return render(request, "notices/_count.html", context)


def _moment(text: str) -> datetime | None:
    try:
        return parse_datetime(text)
    except ValueError:
        return None


@requires(Cap.HOME_VIEW)
@require_POST
def needs_read(request: StaffRequest, study: str) -> HttpResponse:
    """Mark things as read in the state in which they were shown; what changed meanwhile stays unread."""
    roles = request.actor.roles
    shown = {(one.key, one.state) for one in things_for(request.study, roles, clock.now())}
    went_on = escalated_to(request.study, [role.value for role in roles])
    shown |= {(row.key, row.state) for row, _step in went_on}
    asked = {tuple(one.split(".", 1)) for one in request.POST.getlist("thing")}
    if read := sorted(shown & asked):
        notices_read(study=request.study, things=read, actor=request.actor)
    return redirect("needs", study=request.study.slug)


@requires(Cap.HOME_VIEW)
@require_http_methods(["GET", "POST"])
def my_notices(request: StaffRequest, study: str) -> HttpResponse:
    """Let somebody choose what they get by e-mail."""
    assert request.actor.user_id is not None, "a page of staff"
    wish = wish_of(request.study, request.actor.user_id)
    form = WishForm(posted(request), initial={"digest": wish.digest, "hour": wish.hour})
    return answer_form(
        request, form=form, template="notices/mine.html",
        write=lambda: wish_set(study=request.study, actor=request.actor, **form.cleaned_data),
        done=lambda _wish: reverse("needs", args=[study]), message="It is kept.",
    )  # fmt: skip


@requires(Cap.NOTICES_VIEW)
@require_GET
def red_notices(request: StaffRequest, study: str) -> HttpResponse:
    """Show the red things of the study, since when they stand, and who has read them."""
    return render(request, "notices/red.html", {"reds": red_things(request.study)})
