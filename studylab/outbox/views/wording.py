"""What messages say: the list of them, one to edit with its preview, and who they come from."""

from typing import Any

from django.forms import Form
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.outbox.forms.wording import SenderForm, WordingForm
from studylab.outbox.kinds import Audience, MessageKind, all_kinds
from studylab.outbox.models import Message
from studylab.outbox.rules.wording import WordingInvalid
from studylab.outbox.rules.words import NATIVE, Words, needs_of
from studylab.outbox.selectors.preview import messages_to_show, preview
from studylab.outbox.selectors.wording import history_of, sender_of, sender_row, standing
from studylab.outbox.services.wording import (
    WordingRefused,
    sender_write,
    wording_looked,
    wording_take_back,
    wording_write,
)
from studylab.studies.models import Study

LANGUAGES = {"en": "English", "fr-ca": "Français (Canada)"}


@requires(Cap.WORDING_EDIT)
@require_safe
def wordings(request: StaffRequest, study: str) -> HttpResponse:
    """Every message to volunteers with the state of its words in each language, and the senders."""
    languages = _languages(request.study)
    rows = [
        (kind, [_state(request.study, kind, language) for language in languages])
        for kind in _kinds()
    ]
    senders = [(code, LANGUAGES[code], *sender_of(request.study, code)) for code in languages]
    context = {"rows": rows, "senders": senders, "languages": [LANGUAGES[one] for one in languages]}
    return render(request, "outbox/wordings.html", context)


@requires(Cap.WORDING_EDIT)
@require_http_methods(["GET", "POST"])
def wording(request: StaffRequest, study: str, kind: str, language: str) -> HttpResponse:
    """Edit the words of one kind of message in one language."""
    about = _access(request.study, kind, language)
    stands = standing(request.study, kind, language)
    words = stands.words or Words("", "")
    initial = {"subject": words.subject, "text": words.text, "short": words.short}
    form = WordingForm(posted(request), language=language, initial=initial)

    def write() -> object:
        try:
            return wording_write(
                study=request.study, kind=kind, language=language, words=form.words(),
                seen=stands.row, actor=request.actor,
            )  # fmt: skip
        except WordingRefused as refused:
            for part, sentence in refused.problems:
                form.add_error(part, sentence)
            refused.reasons = ()
            raise

    context = {
        "kind": about, "language": language, "language_name": LANGUAGES[language], "stands": stands,
        "english": standing(request.study, kind, NATIVE) if language != NATIVE else None,
        "needs": needs_of(kind), "history": history_of(request.study, kind, language),
        "messages_shown": messages_to_show(request.study, kind, request.actor),
        **_preview(request, about, language, words, None),
    }  # fmt: skip
    return answer_form(
        request, form=form, template="outbox/wording.html", write=write,
        done=lambda _row: reverse("wording", args=[study, kind, language]),
        message="Messages go out with these words from now on.",
        shown=f"{stands.row}-{words.digest}", context=context,
    )  # fmt: skip


@requires(Cap.WORDING_EDIT)
@require_POST
def wording_preview(request: StaffRequest, study: str, kind: str, language: str) -> HttpResponse:
    """What is being typed as it would go out: a part of the page, asked for while somebody types."""
    about = _access(request.study, kind, language)
    form = WordingForm(request.POST, language=language)
    form.is_valid()
    message = None
    wanted = request.POST.get("of", "")
    if wanted:
        offered = messages_to_show(request.study, kind, request.actor)
        message = next((one for one in offered if str(one.uid) == wanted), None)
        if message is None:
            raise Http404("There is no such message.")
        wording_looked(message=message, actor=request.actor)
    context = _preview(request, about, language, form.words(), message)
    return render(request, "outbox/_preview.html", context)


@requires(Cap.WORDING_EDIT)
@require_http_methods(["GET", "POST"])
def wording_back(request: StaffRequest, study: str, kind: str, language: str) -> HttpResponse:
    """Let the house's words count again, after a question."""
    about = _access(request.study, kind, language)
    stands = standing(request.study, kind, language)
    back = reverse("wording", args=[study, kind, language])
    if request.method == "GET" and not stands.own:
        return redirect(back)
    return answer_form(
        request, form=Form(posted(request)), template="parts/confirm_page.html",
        write=lambda: wording_take_back(
            study=request.study, kind=kind, language=language, seen=stands.row, actor=request.actor
        ),
        done=lambda _row: back, message="The house's words count again.", shown=f"{stands.row}",
        context={
            "heading": f"Take “{about.title}” back to the house's words?",
            "text": f"{LANGUAGES[language]}. Your own words stay in the history.",
            "submit": "Take it back", "cancel": back,
        },
    )  # fmt: skip


@requires(Cap.WORDING_EDIT)
@require_http_methods(["GET", "POST"])
def wording_sender(request: StaffRequest, study: str, language: str) -> HttpResponse:
    """Edit who messages come from in one language."""
    if language not in _languages(request.study):
        raise Http404("The study has no texts in this language.")
    row = sender_row(request.study, language)
    name, reply_to = sender_of(request.study, language)
    initial = {"name": name, "reply_to": row.reply_to if row else reply_to}
    form = SenderForm(posted(request), initial=initial)
    return answer_form(
        request, form=form, template="outbox/sender.html",
        write=lambda: sender_write(
            study=request.study, language=language, seen=row.pk if row else 0, actor=request.actor,
            **form.cleaned_data,
        ),
        done=lambda _row: reverse("wordings", args=[study]), message="The sender is changed.",
        shown=f"{row.pk if row else 0}", context={"language_name": LANGUAGES[language]},
    )  # fmt: skip


def _kinds() -> list[MessageKind]:
    """Return the kinds of messages to volunteers; those to staff have the house's words."""
    return [kind for kind in all_kinds() if kind.audience == Audience.VOLUNTEER]


def _languages(study: Study) -> list[str]:
    """Return the study's languages, English first: it is what the others translate."""
    return [NATIVE, *(one for one in study.languages if one != NATIVE)]


def _access(study: Study, kind: str, language: str) -> MessageKind:
    found = next((one for one in _kinds() if one.key == kind), None)
    if found is None or language not in _languages(study):
        raise Http404("There is no such message.")
    return found


def _state(study: Study, kind: MessageKind, language: str) -> dict[str, Any]:
    stands = standing(study, kind.key, language)
    if stands.words is None:
        state = ("warn", "missing: goes out in English")
    elif stands.stale:
        state = ("warn", "English changed: goes out in English")
    else:
        state = ("ok", "your own words" if stands.own else "the house's words")
    return {"language": language, "name": LANGUAGES[language], "kind": state[0], "word": state[1]}


def _preview(
    request: StaffRequest, kind: MessageKind, language: str, words: Words, message: Message | None
) -> dict[str, Any]:
    context: dict[str, Any] = {"of": message, "language": language}
    try:
        return {**context, "preview": preview(request.study, kind, language, words, message)}
    except WordingInvalid as invalid:
        return {**context, "problems": [one.sentence for one in invalid.problems]}
