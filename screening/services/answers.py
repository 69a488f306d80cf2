"""Recording what a volunteer answered."""

import re
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from screening.models import AnswerSet, Assessment
from screening.rules.answers import is_number
from screening.rules.catalogue import ROUTES, load_catalogue
from screening.rules.measures import POSSIBLE
from screening.rules.medicine_list import repeated
from screening.rules.rows import Gate, QuestionRow
from screening.selectors.answers import as_medicines, newest_answers
from screening.selectors.inputs import table_of
from screening.services.assessment import refresh
from screening.services.body import same_body
from screening.services.checks import check_visit
from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.errors import Conflict, Refused
from studylab.participants.models import Participant
from studylab.participants.rules.details import age_on
from studylab.participants.selectors import birth_date
from studylab.participants.services.checks import lock_participant, require_active
from studylab.studies.selectors import current_protocol

LONGEST_DETAIL = 1000
MEDICINES_MAX = 40
_CODE = re.compile(r"[A-Z]\d{2}[A-Z]{2}\d{2}")  # a full code of the WHO ATC index


@service
def answers_record(
    *,
    participant: Participant,
    when: str,
    answers: dict[str, Any],
    medicines: list[dict[str, Any]],
    no_medicines: bool,
    height_cm: float | None,
    weight_kg: float | None,
    source: str,
    given_at: datetime,
    visit_uid: UUID | None = None,
    supersedes: AnswerSet | None = None,
    reason: str = "",
    actor: Actor,
) -> AnswerSet:
    """Record one sitting of questions and run the rules over it.

    `answers` maps question id to {"value", "detail"}; `medicines` are {"name", "atc", "route", "dose",
    "last_taken", "prescribed", "prescriber"}. Answers that are on record already are changed only by naming the set they
    stand in (`supersedes`) and a reason. What is left out counts as not answered.
    """
    require(actor, Cap.QUESTIONS_RECORD)
    participant = lock_participant(participant, actor)
    require_active(participant)
    _check_change(newest_answers(participant, when, visit_uid), supersedes, reason)
    answer_set = answers_write(
        participant=participant, when=when, answers=answers, medicines=medicines,
        no_medicines=no_medicines, height_cm=height_cm, weight_kg=weight_kg, source=source,
        given_at=given_at, visit_uid=visit_uid, supersedes=supersedes, reason=reason, actor=actor,
    )  # fmt: skip
    refresh(participant=participant, gate=Assessment.Gate(when), visit_uid=visit_uid, actor=actor)
    before = supersedes.height_cm if supersedes else None
    same_body("The height", before, answer_set.height_cm, participant, actor)
    return answer_set


def answers_write(
    *,
    participant: Participant,
    when: str,
    answers: dict[str, Any],
    medicines: list[dict[str, Any]],
    no_medicines: bool,
    height_cm: float | None,
    weight_kg: float | None,
    source: str,
    given_at: datetime,
    visit_uid: UUID | None,
    supersedes: AnswerSet | None,
    reason: str,
    actor: Actor,
) -> AnswerSet:
    """Write the set inside the caller's transaction, which has locked the person, asked who may, and runs the
    rules afterwards."""
    gate = _gate(participant, when, visit_uid)
    rows = table_of(current_protocol(participant.study)).asked(gate)
    now = clock.now()
    answer_set = AnswerSet.objects.create(
        participant=participant, when=when, visit_uid=visit_uid, source=source, supersedes=supersedes,
        answers=checked_answers(answers, rows),
        medicines=checked_medicines(
            medicines, now, own=source == AnswerSet.Source.VOLUNTEER and actor.user_id is None
        ),
        no_medicines=no_medicines,
        age_years=_age_at(participant, given_at),
        height_cm=possible_measure("height_cm", height_cm),
        weight_kg=possible_measure("weight_kg", weight_kg),
        given_at=given_at, recorded_at=now, recorded_by_id=actor.user_id, reason=reason.strip(),
    )  # fmt: skip
    _note(answer_set, actor)
    return answer_set


def _gate(participant: Participant, when: str, visit_uid: UUID | None) -> Gate:
    """Return the gate the questions belong to; those of the dosing day belong to a visit of the person."""
    if when == AnswerSet.When.SCREENING:
        return "screening"
    if visit_uid is None:
        raise Refused("Questions of the dosing day belong to a visit.")
    check_visit(participant, visit_uid)
    return "ahead" if when == AnswerSet.When.AHEAD else "dosing_day"


def _note(answer_set: AnswerSet, actor: Actor) -> None:
    earlier = answer_set.supersedes
    audit(
        actor=actor,
        action=Action.ANSWERS_RECORDED,
        subject_type="answers",
        subject_code=answer_set.uid,
        participant_code=answer_set.participant.code,
        reason=answer_set.reason,
        data={
            "when": answer_set.when,
            "answered": len(answer_set.answers),
            "medicines": len(answer_set.medicines),
            "supersedes": str(earlier.uid) if earlier else None,
        },
    )


def _check_change(standing: AnswerSet | None, supersedes: AnswerSet | None, reason: str) -> None:
    """Refuse a second first set, a change of what is not the newest, and a change without a reason."""
    if supersedes is None and standing is None:
        return
    if supersedes is None:
        raise Conflict("Answers are on record already. Open them and change them with a reason.")
    if standing is None or supersedes.pk != standing.pk:
        raise Conflict(
            "These answers were changed by somebody else meanwhile. Look at the newest ones."
        )
    if not reason.strip():
        raise Refused("Say why the answers are changed.", field="reason")


def checked_answers(
    answers: Mapping[str, Any], rows: Sequence[QuestionRow]
) -> dict[str, dict[str, Any]]:
    """Return the answers that were given, each of the kind its question asks for.

    Raises Refused for a question that is not asked and for a value that is no answer to it.
    """
    by_id = {row.id: row for row in rows}
    kept = {}
    for key, item in answers.items():
        row = by_id.get(key)
        if row is None:
            raise Refused(f"There is no question {key} here. Reload the page.", field=key)
        value = item.get("value") if isinstance(item, Mapping) else item
        if value is None or value == "":
            continue
        _check_value(row, value)
        detail = str(item.get("detail") or "").strip() if isinstance(item, Mapping) else ""
        if len(detail) > LONGEST_DETAIL:
            raise Refused(f"Shorten the text to {LONGEST_DETAIL} characters.", field=key)
        kept[key] = {"value": value, "detail": detail}
    return kept


def _check_value(row: QuestionRow, value: Any) -> None:
    if value == "not_sure":
        return
    if row.kind == "yes_no":
        fits = value in ("yes", "no")
        wanted = "yes, no or not sure"
    elif row.kind == "date":
        fits = isinstance(value, str) and _is_day(value)
        wanted = "a day, for example 2026-03-02, or not sure"
    else:
        fits = is_number(value) and row.minimum <= value <= row.maximum
        wanted = f"a number from {row.minimum:g} to {row.maximum:g}, or not sure"
    if not fits:
        raise Refused(f"“{row.text}” is answered with {wanted}.", field=row.id)


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def checked_medicines(
    medicines: Sequence[Mapping[str, Any]], now: datetime, *, own: bool = False
) -> list[dict[str, Any]]:
    """Return medicines as they are stored; names stay in the volunteer's own words.

    Two names of one medicine are refused, except in a volunteer's `own` list: both lines are judged, and whoever
    goes through them next puts them together.
    """
    if len(medicines) > MEDICINES_MAX:
        raise Refused(f"At most {MEDICINES_MAX} medicines fit in one list.", field="medicines")
    checked = [_checked_medicine(medicine, now) for medicine in medicines]
    if own:
        return checked
    for place, earlier in repeated(load_catalogue(), as_medicines(checked)).items():
        raise Refused(
            f"{checked[place]['name']} stands in the list already, as {checked[earlier]['name']}. Put both into "
            "one line.",
            field="medicines",
        )
    return checked


def _checked_medicine(medicine: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    name = str(medicine.get("name") or "").strip()
    atc = str(medicine.get("atc") or "").strip().upper()
    route = str(medicine.get("route") or "")
    taken = medicine.get("last_taken") or None
    if not name:
        raise Refused(
            "A medicine has no name. Write what the volunteer calls it.", field="medicines"
        )
    if atc and not _CODE.fullmatch(atc):
        raise Refused(f"{atc} is not a full ATC code such as N02BE01.", field="medicines")
    if route and route not in ROUTES:
        raise Refused(f"“{route}” is not one of the ways of taking a medicine.", field="medicines")
    if isinstance(taken, str):
        taken = datetime.fromisoformat(taken)
    if taken is not None and (taken.utcoffset() is None or taken > now):
        raise Refused(
            f"{name} cannot have been taken later than now. Check the time.", field="medicines"
        )
    return {
        "name": _short(name, 200, "name"),
        "atc": atc or None,
        "route": route,
        "dose": _short(medicine.get("dose"), 100, "dose"),
        "last_taken": taken.astimezone(UTC).isoformat() if taken else None,
        "prescribed": bool(medicine.get("prescribed", False)),
        "prescriber": _short(medicine.get("prescriber"), 100, "prescriber"),
    }


def _short(text: object, longest: int, what: str) -> str:
    kept = str(text or "").strip()
    if len(kept) > longest:
        raise Refused(
            f"Shorten the {what} of a medicine to {longest} characters; it has {len(kept)}.",
            field="medicines",
        )
    return kept


def possible_measure(name: str, value: float | None) -> float | None:
    """Return a height or weight, or refuse one that no adult has."""
    if value is None:
        return None
    low, high = POSSIBLE[name]
    words = {"height_cm": ("Height", "cm"), "weight_kg": ("Weight", "kg")}
    what, unit = words[name]
    if not is_number(value) or not low <= value <= high:
        raise Refused(f"{what} must be from {low:g} to {high:g} {unit}.", field=name)
    return float(value)


def _age_at(participant: Participant, at: datetime) -> int | None:
    """Return completed years on the study's local day; None when the birth date is not known."""
    born = birth_date(participant)
    if born is None:
        return None
    years = age_on(born, at.astimezone(ZoneInfo(participant.study.timezone)).date())
    return years if years >= 0 else None
