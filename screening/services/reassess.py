"""Running the rules over everybody on the path, after the protocol or the table changed.

People are taken in chunks, each its own transaction: any number of them needs the same memory, nobody is
locked for long, and a run that is broken off goes on where it stopped.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from screening.models import Assessment, RulesRun, SignOff
from screening.selectors.assessed import Records, assessed
from screening.selectors.inputs import table_of
from screening.selectors.runs import active_people
from screening.services.assessment import assessment_event, assessment_row, says_the_same
from studylab import clock
from studylab.access import Actor, Cap
from studylab.audit.actions import Action
from studylab.audit.services import audit, audit_many
from studylab.db import insert_many, lock, service
from studylab.errors import Conflict
from studylab.participants.models import Participant
from studylab.people.services.roles import require_in
from studylab.studies.models import Study
from studylab.studies.selectors import CurrentProtocol, current_protocol

CHUNK = 500


def reassess_all(
    *,
    study: Study,
    actor: Actor,
    chunk: int = CHUNK,
    progress: Callable[[RulesRun], None] | None = None,
    although_stopped: bool = True,
) -> RulesRun:
    """Assess everybody active in a study by the rules that count now; return the run, finished unless somebody stops it.

    A run for the same rules that was broken off goes on, with `although_stopped` also one that somebody stopped.
    `progress` is called after each chunk.
    """
    run = run_begin(study=study, actor=actor, although_stopped=although_stopped)
    while run.finished_at is None and run.stop_at is None:
        run = _next_chunk(run=run, chunk=chunk, actor=actor)
        if progress is not None:
            progress(run)
    return run


@service
def run_begin(*, study: Study, actor: Actor, although_stopped: bool = True) -> RulesRun:
    """Begin a run, or return the one that was broken off; one for rules that changed since is ended."""
    require_in(actor, Cap.LIMITS_CONFIRM, study)
    study = lock(Study, pk=study.pk)
    protocol = current_protocol(study)
    table = table_of(protocol)
    open_run = RulesRun.objects.filter(study=study, finished_at=None).first()
    if open_run is not None:
        if (open_run.protocol_version_id, open_run.table_hash) == (protocol.version.pk, table.hash):
            if although_stopped and open_run.stop_at is not None:
                open_run.stop_at, open_run.stop_by = None, ""
                open_run.save(update_fields=["stop_at", "stop_by"])
            return open_run
        open_run.finished_at = clock.now()
        open_run.save(update_fields=["finished_at"])
    return RulesRun.objects.create(
        study=study,
        protocol_version=protocol.version,
        table_version=table.version,
        table_hash=table.hash,
        people=active_people(study).count(),
        begun_at=clock.now(),
        asked_by=actor.label,
    )


@service
def run_stop(*, run: RulesRun, actor: Actor) -> RulesRun:
    """Stop a run after the people it is looking at; who was assessed stays so, the others keep waiting.

    Nobody who waits can be signed by the old rules meanwhile, and the run goes on when somebody says so.
    """
    require_in(actor, Cap.LIMITS_CONFIRM, run.study)
    current: RulesRun = lock(RulesRun, pk=run.pk)
    if current.finished_at is not None or current.stop_at is not None:
        raise Conflict("This run has ended or was stopped already.")
    current.stop_at, current.stop_by = clock.now(), actor.label
    current.save(update_fields=["stop_at", "stop_by"])
    _told(current, Action.RULES_RUN_STOPPED, actor)
    return current


@service
def run_go_on(*, run: RulesRun, actor: Actor) -> RulesRun:
    """Let a stopped run go on where it stopped; a worker does it."""
    require_in(actor, Cap.LIMITS_CONFIRM, run.study)
    current: RulesRun = lock(RulesRun, pk=run.pk)
    if current.finished_at is not None or current.stop_at is None:
        raise Conflict("This run has ended or goes on already.")
    current.stop_at, current.stop_by = None, ""
    current.save(update_fields=["stop_at", "stop_by"])
    _told(current, Action.RULES_RUN_WENT_ON, actor)
    return current


def _told(run: RulesRun, action: Action, actor: Actor) -> None:
    audit(
        actor=actor, action=action, subject_type="rules_run", subject_code=run.uid,
        study_id=run.study_id, data={"done": run.done, "people": run.people},
    )  # fmt: skip


def run_broke(study: Study, words: str) -> None:
    """Note on the open run of a study what broke it off; it goes on at the next tick."""
    RulesRun.objects.filter(study=study, finished_at=None).update(trouble=words)


@service
def _next_chunk(*, run: RulesRun, chunk: int, actor: Actor) -> RulesRun:
    """Assess the next people of a run. The run is locked, so that two workers share it and repeat nobody."""
    run = RulesRun.objects.select_for_update(of=("self",)).select_related("study").get(pk=run.pk)
    if run.finished_at is not None or run.stop_at is not None:
        return run
    people = list(
        active_people(run.study).filter(pk__gt=run.last_id).select_for_update(of=("self",))[:chunk]
    )
    for person in people:
        person.study = run.study
    protocol = current_protocol(run.study)
    if protocol.version.pk != run.protocol_version_id or not people:
        return _finish(run, actor)
    found = _assess(people, protocol, run)
    insert_many(found.made)
    audit_many([assessment_event(made, actor) for made in found.made])
    run.last_id = people[-1].pk
    run.done += len(people)
    run.made += len(found.made)
    run.changed += found.changed
    run.void += found.void
    run.beat_at, run.trouble = clock.now(), ""
    run.save(update_fields=["last_id", "done", "made", "changed", "void", "beat_at", "trouble"])
    return run


@dataclass(slots=True)
class _Found:
    """New assessments of a chunk, how many say something else, and how many sign-offs fall with them."""

    made: list[Assessment] = field(default_factory=list)
    changed: int = 0
    void: int = 0


def _assess(people: list[Participant], protocol: CurrentProtocol, run: RulesRun) -> _Found:
    records, found, now = Records(people), _Found(), clock.now()
    standing = _standing_sign_offs(people)
    zone, gate = run.study.zone, Assessment.Gate.SCREENING
    for person in people:
        if not records.any_of(person):
            continue
        inputs = records.inputs(person, protocol)
        result = assessed(inputs, zone=zone, gate=gate, at=now)
        last = records.newest.get(person.pk)
        if last is not None and says_the_same(last, inputs, result):
            continue
        made = assessment_row(person, gate, inputs, result, now)
        made.run = run
        found.made.append(made)
        found.changed += last is not None and last.outcome != made.outcome
        found.void += last is not None and last.pk in standing
    return found


def _standing_sign_offs(people: list[Participant]) -> set[int]:
    """Return the assessments on which these people's newest sign-offs, if eligible, rest."""
    newest = (
        SignOff.objects.filter(participant__in=people)
        .order_by("participant_id", "-id")
        .distinct("participant_id")
    )
    return {s.assessment_id for s in newest if s.decision == SignOff.Decision.ELIGIBLE}


def _finish(run: RulesRun, actor: Actor) -> RulesRun:
    run.finished_at = clock.now()
    run.save(update_fields=["finished_at"])
    audit(
        actor=actor,
        action=Action.RULES_RUN,
        subject_type="rules_run",
        subject_code=run.uid,
        study_id=run.study_id,
        data={
            "protocol": run.protocol_version.number, "table": run.table_version, "people": run.done,
            "made": run.made, "changed": run.changed, "void": run.void,
        },
    )  # fmt: skip
    return run
