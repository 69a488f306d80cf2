"""Taking in the file of a tablet that found no network any more, after looking at what is in it."""

import hashlib
from uuid import UUID

from django.http import HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.http import require_http_methods

from scheduling.forms.unsent import UnsentFileForm
from scheduling.rules.unsent_file import KeptAct, UnsentFileWrong, opened
from scheduling.services.unsent import unsent_note
from scheduling.views.kept import tablet_key
from scheduling.views.unsent_lines import Line, previewed, taken_in
from studylab.access import Cap, requires
from studylab.http import StaffRequest

OTHERS = (
    "These entries were made by somebody else. They are taken in by the person who made them, signed in with their own "
    "account."
)
OTHER_STUDY = "These entries are of another study. Open that study, and take the file in there."
NOTHING_TICKED = "Nothing was taken in: tick what is to be recorded."


@requires(Cap.VISIT_RUN)
@require_http_methods(["GET", "POST"])
def unsent_file(request: StaffRequest, study: str) -> HttpResponse:
    """Take a file, show each entry and what would become of it; with `take`, record what was ticked."""
    if request.method == "GET":
        return _page(request, UnsentFileForm())
    form = UnsentFileForm(request.POST, request.FILES)
    acts, others = _mine(request, form) if form.is_valid() else ([], 0)
    if form.errors:
        return _page(request, form, status=422)
    text = form.cleaned_data["content"]
    chosen = _ids(request.POST.getlist("entry"))
    if "take" not in request.POST:
        return _review(request, text, previewed(request.study, acts, request.actor), others)
    if not chosen:
        lines = previewed(request.study, acts, request.actor)
        return _review(request, text, lines, others, problem=NOTHING_TICKED)
    lines = taken_in(request.study, acts, chosen, request.actor)
    count = {
        state: sum(line.state == state for line in lines)
        for state in ("new", "before", "refused", "left")
    }
    unsent_note(
        study=request.study, sha256=hashlib.sha256(text.encode()).hexdigest(), taken=count["new"],
        before=count["before"], refused=count["refused"], actor=request.actor,
    )  # fmt: skip
    context = {"lines": lines, "count": count, "others": others, "back": _today(request)}
    return render(request, "scheduling/tablet/unsent_done.html", context)


def _mine(request: StaffRequest, form: UnsentFileForm) -> tuple[list[KeptAct], int]:
    """Return the entries of whoever is signed in, of this study, and how many of others the file holds."""
    person = str(request.actor.user_id)
    mine = [row for row in form.rows if row.person == person]
    try:
        acts = [opened(row, tablet_key(person)) for row in mine]
    except UnsentFileWrong as problem:
        form.add_error("file", str(problem))
        return [], 0
    here = [act for act in acts if act.base == f"/s/{request.study.slug}/"]
    if not mine:
        form.add_error("file", OTHERS)
    elif not here:
        form.add_error("file", OTHER_STUDY)
    return here, len(form.rows) - len(mine)


def _ids(texts: list[str]) -> set[UUID]:
    found = set()
    for text in texts:
        try:
            found.add(UUID(text))
        except ValueError:
            continue  # names no entry of the file
    return found


def _page(request: StaffRequest, form: UnsentFileForm, status: int = 200) -> HttpResponse:
    context = {"form": form, "cancel": _today(request)}
    return render(request, "scheduling/tablet/unsent.html", context, status=status)


def _review(
    request: StaffRequest, text: str, lines: list[Line], others: int, problem: str = ""
) -> HttpResponse:
    context = {
        "content": text, "lines": lines, "others": others, "problem": problem,
        "some": any(line.state == "new" for line in lines), "cancel": _today(request),
    }  # fmt: skip
    return render(
        request, "scheduling/tablet/unsent_review.html", context, status=422 if problem else 200
    )


def _today(request: StaffRequest) -> str:
    return reverse("today", args=[request.study.slug])
