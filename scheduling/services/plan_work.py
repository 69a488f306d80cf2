"""A worker makes a plan: claims the row, runs the solver in a process of its own, checks, writes what it says.

The row is the queue. Claiming is one conditional update, so a repeated message finds nothing to do; a row
whose worker died is found by the sweep. Nothing of a plan is written unchecked.
"""

import json
import logging
import os
import selectors
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import timedelta
from typing import Any

from django.conf import settings
from django.db import transaction

from scheduling.models import PlanRow, PlanRun
from scheduling.rules.plan_build import (
    Candidate,
    build_problem,
    to_option,
    with_longer_hours,
    with_more,
)
from scheduling.rules.plan_problem import Plan, plan_from_json, problem_as_json
from scheduling.selectors.plan_input import PlanInput, kinds_of, plan_input
from scheduling.selectors.plan_pages import CROWD
from scheduling.selectors.sealed import option_as_json
from scheduling.services.plan_check import Proposal, starts_of, troubles
from studylab import clock
from studylab.operation.lease import TakenOver, claim

log = logging.getLogger(__name__)

WORKERS = 2
GRACE = 20  # seconds after the time that was asked for; then the process is ended
LONGER = timedelta(hours=1)
NOBODY = "No signed-off volunteer without a series can be planned now."
BROKEN = "The solver's process ended before it found anything. Ask again, or with fewer days."
UNSOUND = "The check of the finished plan found faults, so nothing is proposed. Ask again."
WRONG = "Something went wrong while the plan was made. Ask again."
TOO_MUCH = (
    "Ask for fewer days or fewer seconds; if that ends the same way, tell whoever runs the site."
)
_FOUND = ("placed", "bound", "first_fit", "story", "answer")


def work(run_id: int) -> bool:
    """Make the plan of a waiting run; False when there was nothing to do."""
    run = _claim(run_id)
    if run is None:
        return False
    try:
        given = plan_input(run, clock.now())
        if run.purpose == PlanRun.Purpose.WHAT_IF:
            _what_if(run, given)
        else:
            _plan(run, given)
    except TakenOver:
        log.warning("plan %s has passed to another worker", run.uid)
    except Exception:
        log.exception("plan %s failed", run.uid)
        with suppress(TakenOver):
            _end(run, PlanRun.State.FAILED, WRONG)
    return True


def _claim(run_id: int) -> PlanRun | None:
    """Take the run and begin from nothing, also where an earlier worker ended in the middle."""
    nothing: dict[str, Any] = {
        "people": 0,
        "first_fit": 0,
        "placed": 0,
        "bound": None,
        "story": [],
        "answer": [],
    }
    if not claim(PlanRun, run_id, clock.now(), stage="Reading the calendar", **nothing):
        return None
    return PlanRun.objects.select_related("study", "protocol_version").get(pk=run_id)


def _plan(run: PlanRun, given: PlanInput) -> None:
    run.people, run.left_out = len(given.rows), [list(row) for row in given.left_out]
    _write(run, "people", "left_out")
    if not any(series is None for _, series in given.rows):
        _end(run, PlanRun.State.FAILED, NOBODY)
        return
    best: list[Plan] = []

    def hear(news: dict[str, Any]) -> None:
        run.stage, run.bound = news["stage"], news["bound"]
        run.first_fit = news["first_fit"]
        if news["plan"] is not None:
            best[:] = [plan_from_json(news["plan"])]
            run.placed = len(best[0].placed)
        point = [news["seconds"], run.placed, run.bound]
        if not run.story or run.story[-1][1:] != point[1:]:
            run.story.append(point)

    problem = problem_as_json(given.problem)
    _listen(run, {"problem": problem, "seconds": run.seconds, "workers": WORKERS}, hear)
    if not best:
        _end(run, PlanRun.State.FAILED, BROKEN)
        return
    _propose(run, given, best[0])


def _listen(run: PlanRun, question: dict[str, Any], hear: Callable[[dict[str, Any]], None]) -> None:
    """Run the solver's process, hear its news, and end it when asked to stop or when its time is over."""
    began = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "scheduling.rules.plan_worker"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=settings.BASE_DIR, bufsize=0,
        env={"PATH": os.environ.get("PATH", ""), "PYTHONPATH": str(settings.BASE_DIR)},
    )  # fmt: skip
    stdin, stdout = process.stdin, process.stdout
    assert stdin is not None
    assert stdout is not None
    try:
        with os.fdopen(os.dup(stdin.fileno()), "wb") as pipe:
            pipe.write(json.dumps(question).encode() + b"\n")
        stdin.close()
        for line in _lines(stdout.fileno(), began + run.seconds + GRACE):
            if line:
                hear(json.loads(line))
            if _note(run):
                break
    except BrokenPipeError:
        log.warning("plan %s: the solver's process ended early", run.uid)
    finally:
        process.kill()
        process.wait()
        stdout.close()


def _lines(source: int, until: float) -> Iterator[bytes]:
    """Yield lines as they come, and an empty one twice a second so that the caller can look around."""
    rest = b""
    with selectors.DefaultSelector() as ready:
        ready.register(source, selectors.EVENT_READ)
        while time.monotonic() < until:
            if not ready.select(timeout=0.5):
                yield b""
                continue
            piece = os.read(source, 1 << 16)
            if not piece:
                return
            *whole, rest = (rest + piece).split(b"\n")
            yield from whole


def _note(run: PlanRun) -> bool:
    """Write how far the search is; return whether somebody asked to stop it."""
    run.beat_at = clock.now()
    _write(run, "beat_at", "stage", *_FOUND)
    run.refresh_from_db(fields=["stop_at"])
    return run.stop_at is not None


def _write(run: PlanRun, *names: str) -> None:
    """Write fields of the run as long as it is this worker's."""
    mine = PlanRun.objects.filter(pk=run.pk, attempt=run.attempt, state=PlanRun.State.RUNNING)
    if not mine.update(**{name: getattr(run, name) for name in names}):
        raise TakenOver


def _propose(run: PlanRun, given: PlanInput, plan: Plan) -> None:
    """Check a plan against the world as it is now, and write the rows that differ from it."""
    now = clock.now()
    proposals = [
        Proposal(*given.rows[row.person], to_option(given.plan, given.problem, row))
        for row in plan.placed
    ]
    found = troubles(given.plan, proposals, now)
    if found:
        log.error("plan %s is unsound: %s", run.uid, found)
        _end(run, PlanRun.State.FAILED, UNSOUND)
        return
    with transaction.atomic():
        PlanRow.objects.bulk_create(
            PlanRow(
                run=run,
                participant=row.participant,
                series=row.series,
                before=starts_of(row.series) if row.series else [],
                option=option_as_json(row.option),
            )
            for row in proposals
            if row.series is None or _moves(row)
        )
        _end(run, PlanRun.State.STOPPED if run.stop_at else PlanRun.State.READY, "")


def _moves(row: Proposal) -> bool:
    assert row.series is not None
    before = [visit.planned.lower for visit in row.series.visits.all()]
    return before != [visit.start for visit in row.option.visits]


def _what_if(run: PlanRun, given: PlanInput) -> None:
    """Ask how many series fit as it is, with one more of each kind, and with longer hours."""
    places, grid = given.places.places, given.problem.grid
    anybody = Candidate(
        key="anybody", free=((grid.start, grid.end),), liked=((grid.start, grid.end),),
        dose_before=None,
    )  # fmt: skip
    changes = [
        ("as it is", places),
        ("everything open one hour longer", with_longer_hours(places, LONGER)),
    ]
    changes += [
        (f"one more {kind.replace('_', ' ')}", with_more(places, kind, "one more"))
        for kind in kinds_of(places)
    ]
    question = [
        {
            "name": name,
            "crowd": CROWD,
            "problem": problem_as_json(
                build_problem(
                    plan=given.plan, grid=grid, zone=run.study.timezone, places=rows,
                    people=[anybody], not_before=clock.now(),
                )
            ),
        }
        for name, rows in changes
    ]  # fmt: skip

    def hear(news: dict[str, Any]) -> None:
        # What is added takes nothing away: whatever fits as it is still fits.
        news["fit"] = max([news["fit"], *(row["fit"] for row in run.answer[:1])])
        news["bound"] = max(news["bound"], news["fit"])
        run.answer.append(news)
        run.stage = f"{len(run.answer)} of {len(question)} questions answered"

    _listen(run, {"changes": question, "seconds": run.seconds, "workers": WORKERS}, hear)
    if not run.answer:
        _end(run, PlanRun.State.FAILED, BROKEN)
        return
    _end(run, PlanRun.State.STOPPED if run.stop_at else PlanRun.State.READY, "")


def _end(run: PlanRun, state: PlanRun.State, trouble: str) -> None:
    run.state, run.trouble, run.ended_at = state, trouble, clock.now()
    run.beat_at = run.ended_at
    # Not `stop_at`: somebody may have asked to stop meanwhile, and that stays on record.
    _write(run, "state", "trouble", "ended_at", "beat_at", "stage", *_FOUND)
