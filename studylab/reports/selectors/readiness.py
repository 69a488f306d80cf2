"""What a study still lacks before somebody can be dosed, and who can bring it; what it needs of the site."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from scheduling.selectors.today import cover_now
from studylab.access import Actor, Cap
from studylab.allocation.selectors import list_state
from studylab.allocation.selectors.blinding import drill_valid_until
from studylab.operation.checks import last_tick
from studylab.operation.models import StatusNote
from studylab.operation.rules.status import TICK_WRONG
from studylab.operation.rules.status import State as Status
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study
from studylab.studies.readiness import ready_lines
from studylab.studies.rules.readiness import Before, Ready, Stands, stages, summary

_STANDS = {Status.OK: Stands.READY, Status.LOOK: Stands.LOOK, Status.WRONG: Stands.MISSING}


@dataclass(frozen=True, slots=True)
class Lacking:
    """One thing that is missing; `page` is where whoever has `cap` brings it."""

    what: str
    text: str
    cap: Cap
    page: str
    where: dict[str, Any] = field(default_factory=dict)


def lacking(study: Study, actor: Actor, at: datetime) -> list[Lacking]:
    """Return what is missing and the actor's to bring."""
    found = [
        Lacking(line.title, line.text, line.cap, line.page, dict(line.where))
        for line in ready_lines(study, at, front=True)
        if line.stands is Stands.MISSING
    ]
    return [one for one in (*found, *_now(study, actor, at)) if actor.may(one.cap)]


def lacking_group(study: Study, actor: Actor, at: datetime) -> Group:
    """Return the same for a front page; the lead of a study in set-up is led to everything it needs."""
    leads = actor.may(Cap.SETUP_EDIT)
    whole = address("set_up_ready" if leads else "set_up", study)
    group = Group("What the study still lacks", "warn", whole)
    if leads and study.state == Study.State.SETUP:
        group.items.append(Item("Set up the study", whole, summary(stages(ready_lines(study, at)))))
    group.items.extend(
        Item(one.what, address(one.page, study, **one.where), one.text)
        for one in lacking(study, actor, at)
    )
    return group


def _now(study: Study, actor: Actor, at: datetime) -> Iterator[Lacking]:
    """Yield what is about the actor, or about this very hour."""
    if not list_state(study).check_agrees:
        yield Lacking(
            "List and practice differ", "Compare them now: something was not done as the list says.",
            Cap.LIST_MANAGE, "list_seal",
        )  # fmt: skip
    until = drill_valid_until(study, actor.user_id or 0)
    if until is None or until < at:
        yield Lacking(
            "Opening a code", "Practise it once on your phone, from outside the lab: no dose is given while you are on cover without.", Cap.CODE_OPEN, "drill"
        )  # fmt: skip
    if not cover_now(study, at):
        yield Lacking("Physician cover", "No physician is checked in now.", Cap.SIGN_OFF, "cover")


def site_lines(_study: Study, at: datetime) -> Iterator[Ready]:
    """Yield how the last tick found background work and backups: two queries, nothing is looked at anew."""
    last = last_tick()
    alive = last is not None and at - last <= TICK_WRONG
    text = "Scheduler and worker run." if alive else "Start scheduler and worker: until then nothing is sealed, planned or sent."  # fmt: skip
    yield Ready(
        "background", "Background work", Before.VOLUNTEER, Stands.READY if alive else Stands.MISSING,
        text, Cap.SITE_CARE, "set_up_status",
    )  # fmt: skip
    note = StatusNote.objects.filter(key="backup").first()
    stands = _STANDS[Status(note.state)] if note else Stands.MISSING
    words = {
        Stands.READY: "Backups are made.",
        Stands.LOOK: "The status of the site asks for a look at them.",
        Stands.MISSING: "No backup is known that could be relied on.",
    }
    yield Ready("backup", "Backups", Before.VOLUNTEER, stands, words[stands], Cap.SITE_CARE, "set_up_status")  # fmt: skip
