"""What a volunteer says by themselves: not feeling well, a medicine started, leaving the study, what may happen then."""

from collections.abc import Callable
from uuid import UUID

from django.forms import Form
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.forms.own_page import MedicineForm, OwnWishForm, UnwellForm, WithdrawForm
from scheduling.views.my_visits import VISITS, LinkRequest, own_context
from studylab import clock
from studylab.access import link_page
from studylab.errors import StudylabError
from studylab.http import posted
from studylab.participants.models import Participant, VolunteerWord
from studylab.participants.selectors.wishes import standing_wish
from studylab.participants.selectors.words import access_word, word_shown
from studylab.participants.services.ends import participant_withdraw_self
from studylab.participants.services.knocks import too_often
from studylab.participants.services.wishes import wish_say_own
from studylab.participants.services.words import Words, word_say

WORDS_AT_MOST = 30  # per link and ten minutes
_Kind = VolunteerWord.Kind


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def unwell(request: LinkRequest) -> HttpResponse:
    """Telephone numbers first, then a few words that reach a person at once."""
    form = UnwellForm(posted(request))
    return _say(request, form, "links/visits/unwell.html", _keep(request, form, _Kind.UNWELL))


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def medicine(request: LinkRequest) -> HttpResponse:
    """A medicine that was started; nobody is told to stop one."""
    form = MedicineForm(posted(request))
    return _say(request, form, "links/visits/medicine.html", _keep(request, form, _Kind.MEDICINE))


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def withdraw(request: LinkRequest) -> HttpResponse:
    """Leave the study: what that means, then one press."""
    participant = request.link.participant
    if not participant.is_active:
        return redirect("my_visits")
    form = WithdrawForm(posted(request))

    def write() -> VolunteerWord:
        return participant_withdraw_self(
            participant=participant, text=form.cleaned_data["text"], key=form.cleaned_data["key"],
            actor=request.actor,
        )  # fmt: skip

    return _say(request, form, "links/visits/withdraw.html", write)


@link_page(VISITS)
@require_http_methods(["GET", "POST"])
def wishes(request: LinkRequest) -> HttpResponse:
    """What may happen with data and calls, from whoever left; nobody has to say it."""
    participant = request.link.participant
    if participant.status != Participant.Status.WITHDRAWN:
        return redirect("my_visits")
    form = OwnWishForm(posted(request))
    if request.method == "POST" and form.is_valid():
        try:
            wish_say_own(participant=participant, actor=request.actor, **form.cleaned_data)
        except StudylabError:
            form.add_error(None, _("This could not be recorded. Please call the study team."))
        else:
            return redirect("my_wishes")
    wish = standing_wish(participant)
    context = own_context(request) | {
        "form": form,
        "wish": wish,
        "said": form.shown(wish) if wish else [],
    }
    return render(request, "links/visits/wishes.html", context, status=422 if form.errors else 200)


@link_page(VISITS)
@require_GET
def told(request: LinkRequest, uid: UUID) -> HttpResponse:
    """What was written, when it arrived, and whether somebody looks after it."""
    word = access_word(request.link.participant, uid)
    context = own_context(request) | {"one": word_shown(word, clock.now())}
    return render(request, "links/visits/told.html", context)


def _keep(
    request: LinkRequest, form: Form, kind: VolunteerWord.Kind
) -> Callable[[], VolunteerWord]:
    def write() -> VolunteerWord:
        said = {name: form.cleaned_data.get(name, "") for name in ("text", "since", "amount")}
        return word_say(
            participant=request.link.participant, kind=kind, words=Words(**said),
            key=form.cleaned_data["key"], actor=request.actor,
        )  # fmt: skip

    return write


def _say(
    request: LinkRequest,
    form: Form,
    template: str,
    write: Callable[[], VolunteerWord],
) -> HttpResponse:
    """Show a form or take it. What cannot be recorded is said in the page's own language; what was typed stays."""
    status = 200
    if request.method == "POST":
        status = 422
        if too_often("words", str(request.link.uid), at_most=WORDS_AT_MOST):
            form.add_error(None, _("That was sent very often. Please call the study team instead."))
            status = 429
        elif form.is_valid():
            try:
                word = write()
            except StudylabError as refusal:
                form.add_error(None, _("This could not be recorded. Please call the study team."))
                status = refusal.status
            else:
                return redirect("my_word", word.uid)
    context = own_context(request) | {"form": form}
    return render(request, template, context, status=status)
