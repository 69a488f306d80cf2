"""What the pages of a draft show: what is wrong with its text and where, how the visits look, what it changes."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import unified_diff
from typing import Any
from uuid import UUID

from django.http import Http404

from studylab.people.models import User
from studylab.studies.document_checks import checked_protocol
from studylab.studies.models import ProtocolDraft, ProtocolVersion, Study
from studylab.studies.pages import plan_page
from studylab.studies.rules.form_values import without_block_sizes
from studylab.studies.rules.places import line_of, places
from studylab.studies.rules.problems import Problem, ProtocolInvalid
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import confirmed_before

_LINE = re.compile(r"^Line (\d+)\b")


@dataclass(frozen=True, slots=True)
class Located:
    """A problem and the line to look at; None when it is about the whole document."""

    problem: Problem
    line: int | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is wrong with a text, in the order of its lines; `plan` is there when nothing is."""

    problems: tuple[Located, ...]
    plan: Protocol | None


def verdict(text: str) -> Verdict:
    """Read a text as the service that adds a version would."""
    try:
        return Verdict((), checked_protocol(text))
    except ProtocolInvalid as refusal:
        spots = places(text) if any(one.key for one in refusal.problems) else {}
        found = [Located(one, _line(one, spots)) for one in refusal.problems]
        return Verdict(tuple(sorted(found, key=lambda one: one.line or 0)), None)


def _line(problem: Problem, spots: dict[str, Any]) -> int | None:
    if problem.key:
        return line_of(spots, problem.key)
    said = _LINE.match(problem.message)
    return int(said[1]) if said else None


def verdict_page(text: str) -> dict[str, Any]:
    """Return the context of the verdict: problems, or the preview without block sizes."""
    found = verdict(text)
    page = plan_page(found.plan, blocks=False) if found.plan is not None else {}
    return {"verdict": found, **page}


def begin_from(study: Study, text: str) -> tuple[str, bool]:
    """Return the text from which a lead begins, and whether block sizes were left out of it."""
    shown = without_block_sizes(text)
    return shown, shown != text


@dataclass(frozen=True, slots=True)
class DiffLine:
    """A line of the comparison: `kind` is "ins", "del", "same", or "gap" with the line at which the draft goes on."""

    kind: str
    text: str


def changes_of(draft: ProtocolDraft) -> list[DiffLine]:
    """Return what the draft changes against the version it began from, with three lines around each change."""
    return [] if draft.base is None else _shown_lines(draft.base.document, draft.document)


def lines_changed(version: ProtocolVersion) -> dict[str, Any]:
    """Return the context of the lines in which a version differs from the confirmed one before it."""
    before = confirmed_before(version)
    lines = _shown_lines(before.document, version.document) if before else []
    return {"compared_with": before, "lines": lines}


def _shown_lines(before: str, after: str) -> list[DiffLine]:
    return differences(without_block_sizes(before), without_block_sizes(after))


def differences(stands: str, typed: str) -> list[DiffLine]:
    """Return what somebody's text has otherwise than the draft as it stands."""
    return list(_lines(stands.split("\n"), typed.split("\n")))


def _lines(before: list[str], after: list[str]) -> Iterator[DiffLine]:
    kinds = {"+": "ins", "-": "del", " ": "same"}
    for number, line in enumerate(unified_diff(before, after, lineterm="", n=3)):
        if number < 2:
            continue  # names of files, of which there are none
        if line.startswith("@@"):
            yield DiffLine("gap", line.split("+")[1].split(",")[0].split(" ")[0])
        else:
            yield DiffLine(kinds[line[0]], line[1:])


def open_drafts(study: Study) -> list[ProtocolDraft]:
    """Return the drafts of a study that somebody may go on with, the newest first."""
    rows = study.drafts.filter(ended_at=None).select_related("owner", "base")
    return list(rows.order_by("-saved_at", "-pk"))


def drafts_of_owner(user: User) -> list[ProtocolDraft]:
    """Return the studies to come that this person writes."""
    rows = ProtocolDraft.objects.filter(study=None, owner=user, ended_at=None)
    return list(rows.order_by("-saved_at", "-pk"))


def access_draft(study: Study | None, user: Any, uid: UUID) -> ProtocolDraft:
    """Return an open draft of this study, or of a study to come that this person writes, else 404."""
    rows = ProtocolDraft.objects.select_related("study", "owner", "base")
    own = {} if study is not None else {"owner": user}
    found = rows.filter(uid=uid, study=study, ended_at=None, **own).first()
    if found is None:
        raise Http404("There is no such draft, or it is a version already.")
    return found
