"""A protocol version's limits: read with what they would do to people, confirm by signature, or amend."""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods

from screening.forms.limits import AmendForm, ConfirmForm
from screening.rules.share import RuleShare, independent_share
from screening.selectors.impact import impact_of
from screening.selectors.survey import survey_shares
from screening.views.words import OUTCOMES
from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import Refused, StudylabError
from studylab.http import StaffRequest, answer_form, take_refusal
from studylab.studies.amending import limits_amend
from studylab.studies.draft_pages import lines_changed
from studylab.studies.models import ProtocolVersion
from studylab.studies.pages import version_page
from studylab.studies.rules.problems import ProtocolInvalid
from studylab.studies.selectors import (
    access_version,
    changes_to_confirm,
    needs_approval,
    newest_version,
    plan_of,
)
from studylab.studies.services import LIMITS_MEANING, limits_confirm

MANY_RANGES = 24  # a usual set of laboratory values, for comparison


def _url(request: StaffRequest, name: str, version: ProtocolVersion) -> str:
    return reverse(name, kwargs={"study": request.study.slug, "number": version.number})


@requires(Cap.LIMITS_CONFIRM)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def confirm(request: StaffRequest, study: str, number: int) -> HttpResponse:
    """Read every limit, what changed, and whom it would let through; then sign."""
    version = access_version(request.study, number)
    newest = newest_version(request.study)
    lacking = not (version.approval_reference and version.approval_on)
    form = ConfirmForm(
        request.POST if request.method == "POST" else None,
        ask_approval=needs_approval(version) and lacking,
    )
    is_open = version.confirmed_at is None and newest == version
    return answer_form(
        request,
        form=form,
        template="screening/limits_confirm.html",
        write=lambda: limits_confirm(version=version, actor=request.actor, **_said(form)),
        done=lambda signed: _url(request, "protocol_version", signed),
        message=f"The limits of version {version.number} are confirmed and in force. Everybody on the path is assessed anew.",
        context={
            **version_page(version, blocks=False),
            "changes": changes_to_confirm(version),
            **lines_changed(version),
            "newest": newest,
            "open": is_open,
            "meaning": LIMITS_MEANING,
            "cancel": _url(request, "protocol_version", version),
            "survey": _survey(version),
            "impact": impact_of(request.study, version, clock.now()) if is_open else None,
        },
    )


def _said(form: ConfirmForm) -> dict[str, Any]:
    return {key: value for key, value in form.cleaned_data.items() if key != "read"}


def _survey(version: ProtocolVersion) -> dict[str, Any]:
    """Return the share of the open survey that passes the screening limits, or why it is not known."""
    limits = plan_of(version).limits
    try:
        ours, adults = survey_shares(limits, limits.screening)
    except Refused as refusal:
        return {"problem": refusal.message}
    if not ours.people:
        return {"problem": "The survey holds nobody of the study’s ages."}
    together = RuleShare("All together", ours.passes, ours.physician, ours.outside, 0)
    everybody = RuleShare("", adults.passes, adults.physician, adults.outside, 0)
    pairs = zip((*ours.rules, together), (*adults.rules, everybody), strict=True)
    return {
        "people": ours.people,
        "ages": (limits.numbers["age_min"], limits.numbers["age_max"]),
        "rows": [
            (
                one.name,
                *(part / ours.people for part in (one.passes, one.physician, one.outside)),
                every.passes / adults.people,
            )
            for one, every in pairs
        ],
        "removes_most": ours.removes_most,
        "ranges": MANY_RANGES,
        "ranges_share": independent_share(MANY_RANGES),
    }


@requires(Cap.LIMITS_CONFIRM)
@require_http_methods(["GET", "POST"])
def amend(request: StaffRequest, study: str, number: int) -> HttpResponse:
    """Change single limits: makes a new version, to be read and confirmed like any other."""
    version = access_version(request.study, number)
    form = AmendForm(request.POST if request.method == "POST" else None, document=version.document)
    context: dict[str, Any] = {"version": version, "newest": newest_version(request.study)}
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = limits_amend(
                    version=version,
                    numbers=form.changed_numbers(),
                    note=form.cleaned_data["note"],
                    approval_reference=form.cleaned_data["approval_reference"],
                    approval_on=form.cleaned_data["approval_on"],
                    actor=request.actor,
                )
            except ProtocolInvalid as refusal:
                form.add_error(None, "The house's own bounds do not allow these limits.")
                context["problems"] = refusal.problems
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                messages.success(
                    request,
                    f"Version {made.number} is added. It counts once it is read and confirmed here.",
                )
                return redirect(_url(request, "limits_confirm", made))
    return render(request, "screening/limits_amend.html", context | {"form": form}, status=status)


@requires(Cap.HEALTH_VIEW)
@require_GET
def people(request: StaffRequest, study: str, number: int) -> HttpResponse:
    """Everybody on the path whose outcome this version would change, before it is confirmed."""
    version = access_version(request.study, number)
    impact = impact_of(request.study, version, clock.now())
    page = Paginator(impact.affected, 50).get_page(request.GET.get("page"))
    rows = [(one, OUTCOMES[one.before], OUTCOMES[one.after]) for one in page.object_list]
    context = {"version": version, "impact": impact, "page": page, "rows": rows}
    return render(
        request, "screening/protocol_people.html", context | {"current_section": "set_up"}
    )
