"""The editor of study documents: for a new version of a study, and for a study that does not exist yet.

Both have the same pages. Those of a study stand below it; those of a study to come need an account administrator and
are found by their owner only.
"""

from collections.abc import Callable
from typing import Any
from uuid import UUID, uuid4

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from studylab.access import Cap, requires
from studylab.errors import Conflict, Refused, StudylabError
from studylab.http import StaffRequest, answer_form, posted
from studylab.studies.draft_forms import NameForm, StudyBeginForm, ValuesForm, VersionForm
from studylab.studies.draft_pages import (
    access_draft,
    begin_from,
    changes_of,
    differences,
    verdict_page,
)
from studylab.studies.drafting import (
    draft_begin,
    draft_drop,
    draft_make_study,
    draft_make_version,
    draft_save,
)
from studylab.studies.models import ProtocolDraft
from studylab.studies.ready_checks import DOCUMENTS
from studylab.studies.rules.form_values import known_values, spacing_rows, with_values
from studylab.studies.selectors import newest_version

_BLOCKS_LEFT_OUT = "Block sizes are the pharmacist's to read, so their line was left out of this draft. They are chosen when the list is sealed."


def draft_url(draft: ProtocolDraft, page: str = "") -> str:
    """Return the address of a page of a draft: the editor, or "check", "values", "make", "drop"."""
    ending = f"_{page}" if page else ""
    if draft.study is None:
        return reverse(f"study_draft{ending}", kwargs={"uid": draft.uid})
    return reverse(f"protocol_draft{ending}", kwargs={"study": draft.study.slug, "uid": draft.uid})


def _context(draft: ProtocolDraft) -> dict[str, Any]:
    away = (
        reverse("home_site")
        if draft.study is None
        else reverse("set_up", kwargs={"study": draft.study.slug})
    )
    addresses = {page: draft_url(draft, page) for page in ("check", "values", "make", "drop")}
    return {"draft": draft, "editor_url": draft_url(draft), "urls": addresses, "away": away}


def _number(text: str | None) -> int:
    if not (text or "").isdecimal() or len(text or "") > 9:
        raise Refused("The page you sent is damaged. Open the draft again.")
    return int(text or "")


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def study_new(request: StaffRequest) -> HttpResponse:
    """Begin a study: its short name, and the document to begin from."""
    form = StudyBeginForm(posted(request), request.FILES or None)

    def write() -> ProtocolDraft:
        data = form.cleaned_data
        begin, slug = data["begin"], data["slug"]
        text = data["text"] if begin == "file" else (DOCUMENTS / f"{begin}.toml").read_text("utf-8")
        if begin != "file":
            text = with_values(text, {"slug": slug})
        return draft_begin(
            study=None, document=text, slug=slug, code_prefix=data["code_prefix"],
            languages=data["languages"], actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="studies/drafts/study_new.html", write=write, done=draft_url,
        message="This is a draft: nothing is made before you say so.",
        context={"cancel": reverse("home_site")},
    )  # fmt: skip


@requires(Cap.SETUP_EDIT)
@require_POST
def draft_new(request: StaffRequest, study: str) -> HttpResponse:
    """Begin a draft from the newest version."""
    newest = newest_version(request.study)
    if newest is None:
        return redirect("protocol_add", study=study)
    text, left_out = begin_from(request.study, newest.document)
    draft = draft_begin(study=request.study, document=text, base=newest, actor=request.actor)
    if left_out:
        messages.info(request, _BLOCKS_LEFT_OUT)
    return redirect(draft_url(draft))


def _editor(request: StaffRequest, draft: ProtocolDraft) -> HttpResponse:
    context: dict[str, Any] = {**_context(draft), "page": uuid4().hex, "text": draft.document}
    status = 200
    if request.method == "POST":
        text = request.POST.get("document", "").replace("\r\n", "\n")
        try:
            draft = draft_save(
                draft=draft, document=text, revision=_number(request.POST.get("revision")),
                page=request.POST.get("page", ""), actor=request.actor,
            )  # fmt: skip
        except StudylabError as refusal:
            # The page stays what it was opened as, or its next keystroke would write over what nobody has looked at.
            context |= {
                "text": text,
                "refused": refusal.message,
                "opened": request.POST.get("revision", ""),
            }
            if isinstance(refusal, Conflict):
                context["differences"] = differences(draft.document, text)
            status = refusal.status
        else:
            messages.success(request, "The draft is kept.")
            return redirect(draft_url(draft, "make" if "make" in request.POST else ""))
    context |= verdict_page(context["text"])
    return render(request, "studies/drafts/editor.html", context, status=status)


def _check(request: StaffRequest, draft: ProtocolDraft) -> HttpResponse:
    """Keep the text while somebody types, and answer with what is wrong with it and how the visits look."""
    text, context = request.POST.get("document", "").replace("\r\n", "\n"), _context(draft)
    try:
        draft = draft_save(
            draft=draft, document=text, revision=_number(request.POST.get("revision")),
            page=request.POST.get("page", ""), actor=request.actor,
        )  # fmt: skip
    except StudylabError as refusal:
        context["refused"] = refusal.message
    return render(
        request, "studies/drafts/_verdict.html",
        {**context, "draft": draft, "kept": True, **verdict_page(text)},
    )  # fmt: skip


def _values(request: StaffRequest, draft: ProtocolDraft) -> HttpResponse:
    context = _context(draft)
    try:
        known, rows = known_values(draft.document), spacing_rows(draft.document)
    except Refused as refusal:
        messages.error(request, refusal.message)
        return redirect(context["editor_url"])
    form = ValuesForm(posted(request), known=known, spacings=rows)

    def write() -> ProtocolDraft:
        changed = with_values(draft.document, form.wanted())
        return draft_save(
            draft=draft, document=changed, revision=_number(request.POST.get("shown")), page="",
            actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="studies/drafts/values.html", write=write, done=draft_url,
        message="The values stand in the draft's text.", shown=str(draft.revision),
        context={**context, "cancel": context["editor_url"]},
    )  # fmt: skip


def _make(request: StaffRequest, draft: ProtocolDraft) -> HttpResponse:
    context = {**_context(draft), **verdict_page(draft.document), "changes": changes_of(draft)}
    context |= {"cancel": context["editor_url"], "cancel_text": "Back to the text"}
    form: Any
    if draft.study is None:
        names = {"slug": draft.slug, "code_prefix": draft.code_prefix, "languages": draft.languages}
        form = NameForm(posted(request), initial=names)
    else:
        form = VersionForm(posted(request))

    def write() -> str:
        seen = _number(request.POST.get("shown"))
        if draft.study is None:
            study = draft_make_study(
                draft=draft, revision=seen, actor=request.actor, **form.cleaned_data
            )
            return reverse("lead_invite", kwargs={"of": study.slug})
        version = draft_make_version(
            draft=draft, revision=seen, actor=request.actor, **form.cleaned_data
        )
        return reverse(
            "protocol_version", kwargs={"study": draft.study.slug, "number": version.number}
        )

    said = (
        "The study is begun. Invite its lead, who goes on with the set-up."
        if draft.study is None
        else "The version is added. Its limits must be confirmed."
    )
    return answer_form(
        request, form=form, template="studies/drafts/make.html", write=write, done=str,
        message=said, shown=str(draft.revision), context=context,
    )  # fmt: skip


def _drop(request: StaffRequest, draft: ProtocolDraft) -> HttpResponse:
    draft_drop(draft=draft, actor=request.actor)
    messages.success(request, "The draft is put away.")
    return redirect(_context(draft)["away"])


_Page = Callable[[StaffRequest, ProtocolDraft], HttpResponse]


def _of_study(page: _Page, methods: list[str]) -> Callable[..., HttpResponse]:
    @requires(Cap.SETUP_EDIT)
    @require_http_methods(methods)
    def view(request: StaffRequest, study: str, uid: UUID) -> HttpResponse:
        return page(request, access_draft(request.study, request.user, uid))

    return view


def _of_owner(page: _Page, methods: list[str]) -> Callable[..., HttpResponse]:
    @requires(Cap.ACCOUNTS_MANAGE)
    @require_http_methods(methods)
    def view(request: StaffRequest, uid: UUID) -> HttpResponse:
        return page(request, access_draft(None, request.user, uid))

    return view


BOTH, SEND = ["GET", "POST"], ["POST"]
protocol_draft, study_draft = _of_study(_editor, BOTH), _of_owner(_editor, BOTH)
protocol_draft_check, study_draft_check = _of_study(_check, SEND), _of_owner(_check, SEND)
protocol_draft_values, study_draft_values = _of_study(_values, BOTH), _of_owner(_values, BOTH)
protocol_draft_make, study_draft_make = _of_study(_make, BOTH), _of_owner(_make, BOTH)
protocol_draft_drop, study_draft_drop = _of_study(_drop, SEND), _of_owner(_drop, SEND)
