"""Pausing dosing for everybody by the study's own rules, and going on by two signatures."""

from datetime import datetime, timedelta
from typing import Any

from django.db import connection

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.history import STANDS
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.participants.doses import doses_of
from studylab.participants.models import AdverseEvent, CareStatus, DosingPause, EventEntry, Hold
from studylab.participants.rules.stopping import Mark, tripped
from studylab.participants.services.checks import require_study, said
from studylab.people.models import User
from studylab.people.services.signatures import check_password, signature_write
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

PHYSICIAN = "As supervising physician I have looked at this pause; dosing may go on"
LEAD = "As study lead I have looked at this pause; dosing may go on"
_PAUSE_LOCK = 7_301_996  # advisory lock: one evaluation of a study's rules at a time


@service
def stopping_evaluate(*, study: Study, actor: Actor) -> list[DosingPause]:
    """Ask the study's stopping rules after an event, a hold or a dose; pause dosing where one says so.

    It asks for no capability: whoever wrote the last thing that counts, the rule is the study's.
    """
    dosed = doses_of(study)
    if not dosed:
        return []
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_xact_lock(%s, %s)", [_PAUSE_LOCK, study.pk])
    earlier = list(DosingPause.objects.filter(study=study, kind=DosingPause.Kind.RULE))
    looked_at: dict[str, frozenset[str]] = {}
    for pause in earlier:
        looked_at[pause.rule] = looked_at.get(pause.rule, frozenset()) | frozenset(pause.marks)
    standing = {pause.rule: pause for pause in earlier if pause.lifted_at is None}
    rules = current_protocol(study).plan.safety.stopping
    made = []
    for hit in tripped(rules, list(dosed), _marks(study, dosed), looked_at):
        if hit.rule.key in standing:
            _widen(standing[hit.rule.key], hit.marks)
        else:
            made.append(_pause(study, hit.rule.key, hit.rule.text, list(hit.marks), actor))
    return made


def _marks(study: Study, dosed: dict[int, datetime]) -> list[Mark]:
    entries = EventEntry.objects.filter(
        STANDS, event__study=study, after_dose=True, in_error=False
    ).select_related("event")
    holds = Hold.objects.filter(participant__study=study, participant_id__in=dosed)
    return [
        Mark(
            str(e.event.uid), e.event.participant_id, term=e.term, grade=e.grade, serious=e.serious
        )
        for e in entries
    ] + [
        Mark(str(h.uid), h.participant_id, hold=h.kind)
        for h in holds
        if h.opened_at >= dosed[h.participant_id]
    ]


def _widen(pause: DosingPause, marks: tuple[str, ...]) -> None:
    """Put what came meanwhile into a standing pause; who has signed it signs again, knowing that."""
    pause.marks = sorted({*pause.marks, *marks})
    pause.physician, pause.physician_reason, pause.lead, pause.lead_reason = None, "", None, ""
    pause.save(update_fields=["marks", "physician", "physician_reason", "lead", "lead_reason"])


def _pause(
    study: Study,
    rule: str,
    text: str,
    marks: list[str],
    actor: Actor,
    *,
    event: AdverseEvent | None = None,
) -> DosingPause:
    kind = DosingPause.Kind.RULE if event is None else DosingPause.Kind.CARE
    made = DosingPause.objects.create(
        study=study, kind=kind, rule=rule, text=text, marks=marks, event=event,
        opened_at=clock.now(), opened_by_id=actor.user_id,
    )  # fmt: skip
    _note(actor, Action.DOSING_PAUSED, made, {"rule": rule, "marks": marks}, text)
    return made


def care_pause(*, event: AdverseEvent, actor: Actor) -> None:
    """Pause dosing because somebody was taken to care after a dose, once while they are there."""
    if not DosingPause.objects.filter(event=event, lifted_at=None).exists():
        text = f"{event.participant.code} was taken to care after a dose."
        _pause(event.study, "", text, [str(event.uid)], actor, event=event)


@service
def care_status_record(
    *, event: AdverseEvent, status: str, source: str, obtained_at: datetime, actor: Actor
) -> CareStatus:
    """Record how somebody in care is, as a named source told. "Well and home again" ends the pause over it.

    Only "stable" lets dosing go on meanwhile, and only for the hours that the study document gives.
    """
    require(actor, Cap.EVENT_JUDGE)
    require_study(actor, event.study_id)
    now = clock.now()
    if status not in CareStatus.Status.values:
        raise Refused("Choose how the person is.", field="status")
    if obtained_at > now:
        raise Refused("This is later than now. Check date and time.", field="obtained_at")
    told = source.strip()
    if status != CareStatus.Status.NOT_KNOWN:
        told = said(source, field="source", ask="Name who told you: function, name and place.", most=200)  # fmt: skip
    hours = current_protocol(event.study).plan.safety.status_hours
    stable = status == CareStatus.Status.STABLE
    made = CareStatus.objects.create(
        event=event, status=status, source=told, obtained_at=obtained_at,
        counts_until=obtained_at + timedelta(hours=hours) if stable else None, recorded_at=now,
        recorded_by_id=_user(actor),
    )  # fmt: skip
    audit(
        actor=actor, action=Action.CARE_STATUS_RECORDED, subject_type="event", subject_code=event.uid,
        participant_code=event.participant.code, study_id=event.study_id,
        data={"status": status, "source": told, "obtained_at": obtained_at.isoformat()},
    )  # fmt: skip
    if status == CareStatus.Status.HOME:
        _end_care(event, made, actor)
    return made


def _end_care(event: AdverseEvent, status: CareStatus, actor: Actor) -> None:
    pause = DosingPause.objects.filter(event=event, lifted_at=None).select_for_update().first()
    newest = event.statuses.order_by("-obtained_at", "-id").first()
    if pause is not None and newest is not None and newest.pk == status.pk:
        _lift(pause, actor)


def pause_sign(
    *, pause: DosingPause, as_lead: bool, reason: str, password: str, actor: Actor
) -> DosingPause:
    """Sign that dosing may go on, as the supervising physician or as the lead; with both signatures it does.

    The two are different people, whatever roles they hold. Raises WrongPassword.
    """
    require(actor, Cap.DOSING_RESUME if as_lead else Cap.EVENT_JUDGE)
    require_study(actor, pause.study_id)
    text = said(reason, field="reason", ask="Say why dosing may go on.")
    user = check_password(
        actor=actor, password=password, subject_type="pause", subject_code=pause.uid
    )
    return _sign(pause=pause, as_lead=as_lead, reason=text, user=user, actor=actor)


@service
def _sign(
    *, pause: DosingPause, as_lead: bool, reason: str, user: User, actor: Actor
) -> DosingPause:
    seen = pause.marks
    pause = lock(DosingPause, pk=pause.pk)
    if pause.lifted_at is not None:
        raise Conflict("This pause is over meanwhile.")
    if pause.marks != seen:
        raise Conflict("More came to this pause meanwhile. Look at it again, then sign.")
    other = pause.physician if as_lead else pause.lead
    if (pause.lead if as_lead else pause.physician) is not None:
        raise Conflict("This signature has been given already.")
    if other is not None and other.user_id == user.pk:
        raise Refused("You have signed already. The other signature is somebody else's.")
    signature = signature_write(
        actor=actor, user=user, meaning=LEAD if as_lead else PHYSICIAN, subject_type="pause",
        subject_code=pause.uid,
        content={"pause": str(pause.uid), "text": pause.text, "marks": pause.marks, "reason": reason},
    )  # fmt: skip
    if as_lead:
        pause.lead, pause.lead_reason = signature, reason
    else:
        pause.physician, pause.physician_reason = signature, reason
    pause.save(update_fields=["physician", "physician_reason", "lead", "lead_reason"])
    _note(actor, Action.DOSING_PAUSE_SIGNED, pause, {"as": "lead" if as_lead else "physician"}, reason)  # fmt: skip
    if pause.physician is not None and pause.lead is not None:
        _lift(pause, actor)
    return pause


def _lift(pause: DosingPause, actor: Actor) -> None:
    pause.lifted_at = clock.now()
    pause.save(update_fields=["lifted_at"])
    _note(actor, Action.DOSING_RESUMED, pause, {}, pause.text)


def _note(
    actor: Actor, action: Action, pause: DosingPause, data: dict[str, Any], reason: str
) -> None:
    audit(
        actor=actor, action=action, subject_type="pause", subject_code=pause.uid,
        participant_code=pause.event.participant.code if pause.event else "",
        study_id=pause.study_id, reason=reason, data=data,
    )  # fmt: skip


def _user(actor: Actor) -> int:
    assert actor.user_id is not None, "only people hold this capability"
    return actor.user_id
