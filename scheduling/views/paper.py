"""What is printed for a visit: the pack for when the network is down, labels, and the volunteer's wallet card."""

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import translation
from django.views.decorators.http import require_GET, require_POST

from scheduling.forms.paper import LabelsForm
from scheduling.models import Dose, Resource
from scheduling.rules.day_code import day_code
from scheduling.selectors.sheet import access_visit, sheet_of
from scheduling.selectors.today import places_of
from scheduling.selectors.trials import trials_of
from scheduling.selectors.wallet import card_carried, is_outdated
from scheduling.services.wallet import wallet_card_handed as handed
from scheduling.views.sheet_page import rows_of
from scheduling.views.sheet_panels import pinned
from scheduling.views.words import sheet_url
from screening.rules.after_dose import RED_FLAGS
from studylab import clock
from studylab.access import Cap, requires
from studylab.audit.history import STANDS
from studylab.http import StaffRequest
from studylab.participants.selectors.volunteers import access_participant
from studylab.people.selectors import today_in
from studylab.squares import qr_square
from studylab.studies.models import Study
from studylab.studies.rules.limits_rows import limit_rows
from studylab.studies.selectors import current_protocol


def code_of_today(study: Study) -> str:
    """Return the study's code of the local day."""
    version = current_protocol(study).version.number
    return day_code(settings.SECRET_KEY.encode(), study.slug, version, today_in(study.timezone))


@requires(Cap.TODAY_VIEW)
@require_GET
def visit_pack(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show everything that is needed to go on with a visit on paper."""
    visit = access_visit(request.study, uid)
    now = clock.now()
    sheet = sheet_of(visit, now)
    rooms, people = places_of(visit)
    context = {
        **_about(visit.participant.code),
        "visit": visit,
        "participant": visit.participant,
        "sheet": sheet,
        "rows": rows_of(sheet),
        "pinned": pinned(sheet),
        "plan": sheet.protocol,
        "limits": limit_rows(sheet.protocol.limits),
        "orders": [trials_of(visit, sheet.protocol, one.key) for one in sheet.plan.trial_orders],
        "rooms": rooms,
        "people": people,
        "red_flags": list(RED_FLAGS.values()),
        "day_code": code_of_today(request.study),
        "now": now,
        "back": sheet_url(visit),
    }
    return render(request, "scheduling/paper/pack.html", context)


@requires(Cap.TODAY_VIEW)
@require_GET
def visit_labels(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
    """Show labels for the samples of a visit: code, visit and a running number, never a name."""
    visit = access_visit(request.study, uid)
    form = LabelsForm(request.GET or None, initial={"count": 8})
    count = form.cleaned_data["count"] if form.is_bound and form.is_valid() else 8
    day = today_in(request.study.timezone)
    texts = [f"{visit.participant.code} V{visit.number} {n:02d}" for n in range(1, count + 1)]
    context = {
        **_about(f"{visit.participant.code}, visit {visit.number}: sample labels"),
        "form": form,
        "labels": [(text, f"{day:%d %b %Y}", qr_square(text, scale=2)) for text in texts],
        "back": sheet_url(visit),
    }
    status = 422 if form.is_bound and not form.is_valid() else 200
    return render(request, "scheduling/paper/labels.html", context, status=status)


@requires(Cap.TODAY_VIEW)
@require_GET
def sensor_labels(request: StaffRequest, study: str) -> HttpResponse:
    """Show labels for the things that run sheets read the label of."""
    plan = current_protocol(request.study).plan
    kinds = {step.of for visit in plan.visits for step in visit.steps if step.of}
    names = Resource.objects.filter(kind__in=kinds, is_active=True).order_by("kind", "name")
    context = {
        **_about("Labels of sensor sets"),
        "labels": [(one.name, one.kind, qr_square(one.name, scale=2)) for one in names],
        "back": reverse("today", args=[request.study.slug]),
    }
    return render(request, "scheduling/paper/labels.html", context)


@requires(Cap.TODAY_VIEW)
@require_GET
def wallet_card(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Show the card that the volunteer carries, in the volunteer's own language."""
    person = access_participant(request.study, code)
    dose = Dose.objects.filter(STANDS, participant=person).first()
    plan = current_protocol(request.study).plan
    carried = card_carried(person)
    context = {
        **_about(f"Wallet card of {person.code}"),
        "participant": person,
        "plan": plan,
        "dose": dose,
        "square": qr_square(person.code, scale=2),
        "carried": carried,
        "outdated": is_outdated(carried, request.study),
        "language": person.language,
        "back": reverse("volunteer", args=[request.study.slug, person.code]),
    }
    with translation.override(person.language):
        card = render(request, "scheduling/paper/_card.html", context).content.decode()
    return render(request, "scheduling/paper/card.html", {**context, "card": card})


@requires(Cap.CONTACT_RECORD)
@require_POST
def wallet_card_handed(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """Note that the volunteer was given the card."""
    person = access_participant(request.study, code)
    handed(participant=person, actor=request.actor)
    messages.success(request, f"{person.code} has a card with the numbers of now.")
    return redirect("wallet_card", study, code)


def _about(heading: str) -> dict[str, Any]:
    return {"current_section": "today", "heading": heading}
