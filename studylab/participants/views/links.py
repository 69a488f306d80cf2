"""Personal links of one volunteer, as the staff makes and withdraws them."""

from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from studylab import clock
from studylab.access import Cap, requires
from studylab.errors import StudylabError
from studylab.http import StaffRequest, answer_form, posted, take_refusal
from studylab.participants.forms.links import LinkMakeForm, LinkRevokeForm
from studylab.participants.link_purposes import link_purpose
from studylab.participants.selectors import access_participant
from studylab.participants.selectors.links import access_link, link_states
from studylab.participants.services.links import MadeLink, link_make, link_revoke
from studylab.squares import qr_picture


@requires(Cap.LINK_MAKE)
@require_http_methods(["GET", "POST"])
def links(request: StaffRequest, study: str, code: str) -> HttpResponse:
    """List the links of a volunteer and make a new one, which is shown once on the answer to the form."""
    participant = access_participant(request.study, code)
    form = LinkMakeForm(posted(request))
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                made = link_make(participant=participant, **form.cleaned_data, actor=request.actor)
            except StudylabError as refusal:
                take_refusal(form, refusal)
                status = refusal.status
            else:
                return _hand_over(request, made)
    context = {
        "participant": participant,
        "form": form,
        "states": link_states(participant, clock.now()),
    }
    return render(request, "participants/links.html", context, status=status)


def _hand_over(request: StaffRequest, made: MadeLink) -> HttpResponse:
    address = request.build_absolute_uri(reverse("link_door")) + "#" + made.token
    context = {
        "participant": made.link.participant,
        "link": made.link,
        "asks": link_purpose(made.link.purpose).written(made.link.participant),
        "address": address,
        "picture": qr_picture(address),
    }
    return render(request, "participants/link_made.html", context)


@requires(Cap.LINK_MAKE)
@require_http_methods(["GET", "POST"])
def link_revoke_view(request: StaffRequest, study: str, code: str, uid: UUID) -> HttpResponse:
    """Withdraw a link that still opens."""
    participant = access_participant(request.study, code)
    link = access_link(participant, uid)
    form = LinkRevokeForm(posted(request))
    here = reverse("links", args=[study, participant.code])
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: link_revoke(
            link=link, reason=form.cleaned_data["reason"], actor=request.actor
        ),
        done=lambda _: here, message="The link does not open any more.",
        context={
            "heading": f"Withdraw the link of {participant.code}?",
            "text": "It stops on every device at once. What was answered so far stays and can be gone on with "
            "through a new link.",
            "submit": "Withdraw the link", "cancel": here, "danger": True,
        },
    )  # fmt: skip
