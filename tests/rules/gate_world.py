"""Facts with which the dose gate is open, and every way in which one of them can be wrong or missing."""

from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from screening.rules.gate_facts import (
    CheckFact,
    ConsentFact,
    CoverFact,
    GateFacts,
    GateRules,
    KitFact,
    PreDoseFact,
    QuestionsFact,
    SignOffFact,
    ValueOutcome,
)
from screening.rules.gate_safety import CareFact, NewsFact, SafetyFact
from screening.rules.gate_vitals import MEASURES
from screening.rules.medicines import Washout
from screening.rules.notes import NoteText, OpenNote
from screening.rules.vitals import Undecided, VitalDecision, VitalProblem

AT = datetime(2026, 3, 3, 9, 30, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
RULES = GateRules(
    pre_dose_valid_minutes=30,
    wait=timedelta(minutes=90),
    earlier_visits=(1,),
    zone=ZoneInfo("Europe/Amsterdam"),
)


def care(until: datetime | None) -> tuple[CareFact, ...]:
    return (CareFact(who="HB-007", counts_until=until, ended=False, overridden=False),)


def news(approved: bool | None, choice: str | None) -> tuple[NewsFact, ...]:
    return (NewsFact(what="Somebody fainted", approved=approved, choice=choice),)


def outcomes(**changed: str | None) -> tuple[ValueOutcome, ...]:
    return tuple(
        ValueOutcome(measure=m, outcome=changed.get(m, "pass"), text=f"{m} judged")
        for m in MEASURES
    )


GOOD = GateFacts(
    limits_confirmed=True,
    dosing_paused=False,
    participant_active=True,
    identity_confirmed=True,
    already_dosed=False,
    consent=ConsentFact(
        version="2", current_version="2", signed_at=AT - timedelta(days=5), withdrawn=False
    ),
    sign_off=SignOffFact(
        eligible=True,
        valid_until=AT + timedelta(days=20),
        signed_digest="ab12",
        current_digest="ab12",
    ),
    allocation_number="R-017",
    questions=QuestionsFact(outcome="clear", answered_at=AT - 20 * MINUTE),
    pre_dose=PreDoseFact(
        decision=VitalDecision(111, 71, 65, used=(2, 3)),
        taken_at=AT - 10 * MINUTE,
        outcomes=outcomes(),
        released=False,
    ),
    checks=(
        CheckFact(kind="breath_alcohol", outcome="pass"),
        CheckFact(kind="last_meal", outcome="pass"),
    ),
    earlier_visits_finished=((1, True),),
    spacing_problems=(),
    washouts=(Washout(AT, "ibuprofen needed a day"),),
    notes_open=(),
    kit=KitFact(
        number="9F79-BK9",
        for_number="R-017",
        usable_until=AT + timedelta(days=100),
        quarantined=False,
        dispensed=True,
        scanned_matches=True,
    ),
    cover=CoverFact(
        present=True, until=AT + timedelta(hours=4), said_at=AT - 20 * MINUTE, unpractised=()
    ),
    rescue_kit_ready=True,
    somebody_stays=True,
    open_holds=(),
    safety=SafetyFact(
        pauses=(),
        care=(CareFact(who="HB-007", counts_until=AT + MINUTE, ended=False, overridden=False),),
        unread=(),
        unexpected=(),
        news=(NewsFact(what="Somebody fainted", approved=True, choice="continue"),),
    ),
)
NOTED = OpenNote(
    NoteText(1, "note:1", AT - timedelta(days=1), "contact note", "salbutamol since Monday", "K"),
    ("salbutamol",),
)
UNDECIDED = Undecided((VitalProblem("too_few", "readings", "2 of 3 readings are taken."),))

# path -> (wrong value, code of the reason)
WRONG: list[tuple[str, Any, str]] = [
    ("limits_confirmed", False, "limits_unconfirmed"),
    ("dosing_paused", True, "dosing_paused"),
    ("participant_active", False, "participant_inactive"),
    ("identity_confirmed", False, "identity_unconfirmed"),
    ("already_dosed", True, "already_dosed"),
    ("consent.signed_at", AT + MINUTE, "consent_missing"),
    ("consent.version", "1", "consent_outdated"),
    ("consent.withdrawn", True, "consent_withdrawn"),
    ("sign_off.eligible", False, "sign_off_missing"),
    ("sign_off.valid_until", AT, "sign_off_expired"),
    ("sign_off.current_digest", "cd34", "sign_off_changed"),
    ("allocation_number", "", "number_missing"),
    ("questions.outcome", "hold", "questions_flagged"),
    ("questions.outcome", "undecided", "questions_flagged"),
    ("questions.answered_at", AT - timedelta(days=1), "questions_old"),
    ("questions.answered_at", AT + MINUTE, "questions_old"),
    ("questions.answered_at", datetime(2026, 3, 2, 22, 59, tzinfo=UTC), "questions_old"),
    ("pre_dose.decision", UNDECIDED, "vitals_undecided"),
    ("pre_dose.taken_at", AT - 31 * MINUTE, "vitals_old"),
    ("pre_dose.taken_at", AT + MINUTE, "vitals_old"),
    ("pre_dose.outcomes", outcomes(pulse="outside"), "vitals_outside"),
    ("pre_dose.outcomes", outcomes(pulse="a new word"), "vitals_outside"),
    ("pre_dose.outcomes", outcomes(systolic="review"), "vitals_unreleased"),
    ("pre_dose.outcomes", outcomes(diastolic=None), "vitals_unjudged"),
    ("pre_dose.outcomes", outcomes()[:2], "vitals_unjudged"),
    ("pre_dose.outcomes", (), "vitals_unjudged"),
    ("checks", (CheckFact(kind="pregnancy_test", outcome=None),), "check_missing"),
    ("checks", (CheckFact(kind="pregnancy_test", outcome="undecided"),), "check_missing"),
    ("checks", (CheckFact(kind="breath_alcohol", outcome="hold"),), "check_failed"),
    ("checks", (CheckFact(kind="pregnancy_test", outcome="exclude"),), "check_failed"),
    ("earlier_visits_finished", ((1, False),), "visit_unfinished"),
    ("earlier_visits_finished", ((1, None),), "visit_unfinished"),
    ("earlier_visits_finished", (), "visit_unfinished"),
    ("spacing_problems", ("Visit 2 began 19 h after visit 1.",), "spacing"),
    ("washouts", (Washout(AT + MINUTE, "St John's wort needs 14 d"),), "washout"),
    ("washouts", (Washout(AT.replace(tzinfo=None), "a day"),), "washout"),
    ("notes_open", (NOTED,), "note_unanswered"),
    ("kit.for_number", "R-018", "kit_wrong"),
    ("kit.usable_until", AT, "kit_expired"),
    ("kit.quarantined", True, "kit_quarantined"),
    ("kit.dispensed", False, "kit_undispensed"),
    ("kit.scanned_matches", False, "kit_unscanned"),
    ("cover.present", False, "cover_absent"),
    ("cover.until", AT + 89 * MINUTE, "cover_short"),
    ("cover.unpractised", ("Dr Roe",), "opening_unpractised"),
    ("cover.said_at", AT - 61 * MINUTE, "cover_stale"),
    ("rescue_kit_ready", False, "rescue_kit"),
    ("somebody_stays", False, "nobody_stays"),
    ("open_holds", ("Cold, waiting for the physician.",), "hold_open"),
    ("safety.pauses", ("Two of ten people fainted.",), "stopping_rule"),
    ("safety.care", care(None), "care_unknown"),
    ("safety.care", care(AT), "care_unknown"),
    ("safety.unread", ("dizziness of HB-007",), "symptoms_unread"),
    ("safety.unexpected", ("headache of HB-003",), "symptom_unexpected"),
    ("safety.news", news(False, None), "news_unapproved"),
    ("safety.news", news(None, "continue"), "news_unapproved"),
    ("safety.news", news(True, None), "news_untold"),
    ("safety.news", news(True, "later"), "news_untold"),
    ("safety.news", news(True, "stop"), "news_stop"),
]
FLAGS = [path for path, value, _ in WRONG if isinstance(value, bool)] + ["pre_dose.released"]
INSTANTS = [path for path, value, _ in WRONG if isinstance(value, datetime)]
# What a missing value is called; every leaf of GateFacts is here, the test below counts them.
MISSING: dict[str, str] = {
    **{path: code for path, _, code in reversed(WRONG)},
    "consent": "consent_missing",
    "consent.current_version": "consent_outdated",
    "sign_off": "sign_off_missing",
    "sign_off.signed_digest": "sign_off_changed",
    "questions": "questions_missing",
    "pre_dose": "vitals_missing",
    "pre_dose.decision": "vitals_missing",
    "pre_dose.outcomes": "vitals_unjudged",
    "pre_dose.released": "vitals_unreleased",
    "kit": "kit_missing",
    "kit.number": "kit_missing",
    "cover": "cover_absent",
    "safety": "safety_unknown",
}
