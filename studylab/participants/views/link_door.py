"""The door: where a personal link is shown. The secret travels behind the "#" and in forms, never in an address
that a server sees, so it stands in no log and in no referrer."""

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from studylab import clock
from studylab.access import link_door, while_read_only
from studylab.http import client_address, own_page
from studylab.participants.forms.links import BirthDateForm, LinkDoorForm
from studylab.participants.link_purposes import link_purpose
from studylab.participants.models import PersonalLink
from studylab.participants.rules.link import Door
from studylab.participants.selectors.links import door_of, link_of_token
from studylab.participants.services.knocks import too_often
from studylab.participants.services.links import holder_actor, language_choose, link_open
from studylab.participants.views.link_answers import link_closed, too_many

WRONG_AT_MOST = (
    30  # links that do not open, per address and ten minutes; a lab's visitors share one address
)


@link_door
@while_read_only
@require_http_methods(["GET", "POST"])
@sensitive_post_parameters()
def door(request: HttpRequest) -> HttpResponse:
    """Show the door, or try a link at it."""
    if request.method == "GET":
        return _door(request, LinkDoorForm())
    form = LinkDoorForm(request.POST)
    token = form.cleaned_data["token"] if form.is_valid() else ""
    link = link_of_token(token)
    if link is None:
        return _refuse(request)
    mine = request.link  # type: ignore[attr-defined]
    known = mine is not None and mine.pk == link.pk
    stands = door_of(link, clock.now(), known_device=known)
    if stands in (Door.OPEN, Door.DONE):
        return redirect(link_purpose(link.purpose).start)
    if stands is Door.FIRST:
        return _try(request, link, None, token)
    if stands is Door.BIRTH_DATE:
        return _ask_birth_date(request, link, token)
    return _refuse(request)


@link_door
@while_read_only
@require_POST
@sensitive_post_parameters()
def language(request: HttpRequest) -> HttpResponse:
    """Change the language of the pages, and come back to the page it was chosen on."""
    chosen = request.POST.get("language", "")
    offered = request.languages  # type: ignore[attr-defined]
    target = own_page(request, request.POST.get("next", "")) or reverse("link_door")
    answer = HttpResponseRedirect(target)
    if chosen in offered:
        answer.set_cookie(
            settings.LANGUAGE_COOKIE_NAME, chosen, max_age=365 * 86400, httponly=True,
            secure=settings.SESSION_COOKIE_SECURE, samesite="Lax",
        )  # fmt: skip
        link = request.link  # type: ignore[attr-defined]
        if link is not None:
            language_choose(participant=link.participant, language=chosen, actor=holder_actor(link))
    return answer


@link_door
@while_read_only
@require_POST
def leave(request: HttpRequest) -> HttpResponse:
    """Forget the link on this device, for a phone or tablet that others use too."""
    response = render(request, "links/left.html")
    response.delete_cookie(settings.LINK_COOKIE_NAME, samesite="Lax")
    return response


def _door(request: HttpRequest, form: LinkDoorForm) -> HttpResponse:
    link = request.link  # type: ignore[attr-defined]
    here = link_purpose(link.purpose).start if link is not None else ""
    return render(request, "links/door.html", {"form": form, "here": here})


def _ask_birth_date(request: HttpRequest, link: PersonalLink, token: str) -> HttpResponse:
    form = BirthDateForm(request.POST if "year" in request.POST else None)
    if form.is_bound and form.is_valid():
        return _try(request, link, form, token)
    return _birth_date(request, form, token)


def _try(
    request: HttpRequest, link: PersonalLink, form: BirthDateForm | None, token: str
) -> HttpResponse:
    born = form.cleaned_data["born"] if form else None
    opened = link_open(link=link, born=born, actor=holder_actor(link))
    if opened.secret:
        answer = redirect(link_purpose(link.purpose).start)
        answer.set_cookie(
            settings.LINK_COOKIE_NAME, opened.secret, httponly=True, samesite="Lax",
            secure=settings.SESSION_COOKIE_SECURE, max_age=_seconds_left(link),
        )  # fmt: skip
        return answer
    if opened.door is not Door.BIRTH_DATE:
        return _refuse(request)
    form = form or BirthDateForm()
    if form.is_bound:
        form.add_error(None, _("This is not the birth date that we know. Look at it again."))
    return _birth_date(request, form, token)


def _birth_date(request: HttpRequest, form: BirthDateForm, token: str) -> HttpResponse:
    status = 422 if form.is_bound else 200
    return render(request, "links/birth_date.html", {"form": form, "token": token}, status=status)


def _seconds_left(link: PersonalLink) -> int:
    """Return how long the device stays known: to the end of the link, by the browser's own clock."""
    return int((link.expires_at - clock.now()).total_seconds())


def _refuse(request: HttpRequest) -> HttpResponse:
    if too_often("wrong link", client_address(request), at_most=WRONG_AT_MOST):
        return too_many(request)
    return link_closed(request)
