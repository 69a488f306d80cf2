"""Each entry of a tablet's file: whose visit it is of, what was entered, and what becomes of it."""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal
from uuid import UUID

from django.db import OperationalError, transaction
from django.http import Http404, QueryDict

from scheduling.models import StepRecord, Visit
from scheduling.rules.tablet_time import TabletTime, file_time
from scheduling.rules.unsent_file import KeptAct
from scheduling.selectors.sheet import access_visit, sheet_of
from scheduling.views.act_taking import WrongForm, take_act
from scheduling.views.sheet_page import row_of
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict, RefusedWithReasons, StudylabError
from studylab.participants.kept_away import check_not_away
from studylab.studies.models import Study

FROM_FILE = "file of a tablet"  # stands where the name of the tablet would
ACTS = ("record", "skip", "correct")


@dataclass(frozen=True, slots=True)
class Line:
    """One entry. `state`: "new" is or will be written, "before" stands already, "refused" will not be, "left" was not ticked."""

    act: KeptAct
    code: str
    number: int
    visit_uid: UUID | None
    at: datetime | None
    state: Literal["new", "before", "refused", "left"]
    said: str = ""


def previewed(study: Study, acts: Sequence[KeptAct], actor: Actor) -> list[Line]:
    """Return what taking in all entries would do: it is done, looked at, and taken back."""
    try:
        with transaction.atomic():
            lines = taken_in(study, acts, {act.id for act in acts}, actor)
            transaction.set_rollback(True)
    except OperationalError as problem:  # inside another transaction no service tries again
        raise Conflict("Somebody else is changing this at the moment. Try again.") from problem
    return lines


def taken_in(
    study: Study, acts: Sequence[KeptAct], chosen: Collection[UUID], actor: Actor
) -> list[Line]:
    """Take in the chosen entries in their order, each for itself; what follows a refused one of its visit waits."""
    return list(_taken(study, acts, chosen, replace(actor, device=FROM_FILE)))


def _taken(
    study: Study, acts: Sequence[KeptAct], chosen: Collection[UUID], actor: Actor
) -> Iterator[Line]:
    stopped: set[UUID] = set()
    for act in acts:
        try:
            visit = access_visit(study, act.visit)
        except Http404:
            yield Line(act, "", 0, None, None, "refused", "There is no such visit in this study.")
            continue
        now = clock.now()
        compared = None if act.compared_ms is None else timedelta(milliseconds=act.compared_ms)
        time = file_time(
            device_at=act.device_at, received_at=now, compared=compared, not_before=visit.started_at or now
        )  # fmt: skip
        line = Line(act, visit.participant.code, visit.number, visit.uid, time.happened_at, "new")
        if act.id not in chosen:
            yield replace(line, state="left", said="Not ticked, so not taken in.")
        elif act.visit in stopped:
            yield replace(
                line, state="refused", said="An entry of this visit before it was not taken in."
            )
        else:
            found = _one(line, visit, time, actor)
            if found.state == "refused":
                stopped.add(act.visit)
            yield found


def _one(line: Line, visit: Visit, time: TabletTime, actor: Actor) -> Line:
    act = line.act
    what = (act.fields.get("act") or ["record"])[0]
    row = row_of(sheet_of(visit, clock.now()), act.step)
    if row is None or what not in ACTS:
        return replace(line, state="refused", said="This visit has no such step.")
    stood = StepRecord.objects.filter(client_id=act.id).exists()
    try:
        check_not_away(visit.participant, actor)
        record = take_act(what=what, data=_data(act), actor=actor, visit=visit, row=row, time=time)
    except WrongForm as problem:
        return replace(line, state="refused", said=problem.said)
    except StudylabError as refusal:
        reasons = refusal.reasons if isinstance(refusal, RefusedWithReasons) else ()
        return replace(line, state="refused", said=" ".join([refusal.message, *reasons]))
    if stood:
        return replace(line, state="before", at=record.occurred_at, said="On record already.")
    return line


def _data(act: KeptAct) -> QueryDict:
    data = QueryDict(mutable=True)
    for name, texts in act.fields.items():
        data.setlist(name, texts)
    data["client_id"] = str(act.id)
    return data
