"""How to break each condition of the dose gate, and the codes that the gate then gives."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pgtrigger

from scheduling.models import Visit
from scheduling.services.cover import cover_check_in, cover_check_out
from screening.models import SignOff
from screening.selectors import newest_answers, newest_assessment
from screening.services import answers_record, sign_off_give
from screening.services.notes import note_record
from studylab.access import Role
from studylab.allocation.models import Kit, KitBatch, ListEntry
from studylab.allocation.services import code_open, kit_prepare, kit_quarantine
from studylab.participants.services import (
    hold_open,
    hold_release,
    participant_lost,
    participant_withdraw,
)
from studylab.studies.models import ProtocolVersion, Study
from tests import cast
from tests.scheduling.sheet.builder import MINUTE, Case

LOW_PULSE = ((118, 77, 58), (117, 76, 55), (117, 76, 55))
FAR_TOO_LOW = ((118, 77, 46), (117, 76, 45), (117, 76, 45))


def limits_taken_back(case: Case) -> None:
    with pgtrigger.ignore("studies.ProtocolVersion:confirmed_stays"):
        ProtocolVersion.objects.update(confirmed_at=None, confirmation=None)


def pause(case: Case) -> None:
    Study.objects.filter(pk=case.study.pk).update(state="paused")


def lose(case: Case) -> None:
    case.act(participant_lost, "coordinator", participant=case.participant, reason="Not reached.")


def withdraw(case: Case) -> None:
    case.act(
        participant_withdraw,
        "coordinator",
        participant=case.participant,
        reason="Does not want to.",
    )


def dose_before(case: Case) -> None:
    case.give()
    case.forward(1)


def ask_for_more(case: Case) -> None:
    case.act(
        sign_off_give, "clinician", participant=case.participant, decision="needs_more",
        assessment=newest_assessment(case.participant, "screening"), item_decisions=[],
        personal_limits=None, reason="An ECG, please.", password=cast.PASSWORD,
    )  # fmt: skip


def sign_off_runs_out(case: Case) -> None:
    with pgtrigger.ignore("screening.SignOff:append_only"):
        SignOff.objects.update(valid_until=case.t)


def answer_changes(case: Case) -> None:
    earlier = newest_answers(case.participant, "screening")
    assert earlier is not None
    case.act(
        answers_record, "coordinator", participant=case.participant, when="screening",
        answers=earlier.answers, medicines=[], no_medicines=True, height_cm=172.0, weight_kg=64.0,
        source="staff", given_at=case.t, supersedes=earlier, reason="Weighed again.",
    )  # fmt: skip


def consent_text_changes(case: Case) -> None:
    old = ProtocolVersion.objects.get()
    new = old.document.replace('consent_version = "1.0', 'consent_version = "1.1')
    assert new != old.document
    with case.now():
        ProtocolVersion.objects.create(
            study=case.study, number=2, document=new, sha256="1" * 64, added_at=case.t
        )
        cast.confirm_limits(case.study, case.users["clinician"])


def lose_number(case: Case) -> None:
    with pgtrigger.ignore():
        ListEntry.objects.filter(participant=case.participant).update(
            participant=None, issued_at=None
        )


def ill_today(case: Case) -> None:
    case.answers("dosing_day", case.visit(2), D_02="yes")


def took_a_medicine(case: Case) -> None:
    """Diphenhydramine, of which the protocol's rules say 48 hours, 20 hours ago."""
    taken = {"name": "diphenhydramine", "last_taken": case.t - timedelta(hours=20)}
    case.answers("dosing_day", case.visit(2), medicines=[taken])


def took_a_medicine_and_was_released(case: Case) -> None:
    """A physician may release the hold for the answer, not the time that the medicine needs."""
    took_a_medicine(case)
    case.act(
        hold_release, "clinician", hold=case.participant.holds.get(), reason="Feels well.",
        password=cast.PASSWORD,
    )  # fmt: skip


def one_unanswered(case: Case) -> None:
    case.answers("dosing_day", case.visit(2), D_04=None)


def two_readings(case: Case) -> None:
    case.forward(3)
    case.readings("pre_dose", case.visit(2), ((121, 78, 70), (118, 76, 68)))


def low_pulse(case: Case) -> None:
    case.forward(5)
    case.readings("pre_dose", case.visit(2), LOW_PULSE)


def far_too_low(case: Case) -> None:
    case.forward(5)
    case.readings("pre_dose", case.visit(2), FAR_TOO_LOW)


def visit_one_unfinished(case: Case) -> None:
    Visit.objects.filter(pk=case.visit(1).pk).update(state="stopped")


def visit_one_was_earlier(case: Case) -> None:
    first = case.visit(1)
    assert first.started_at is not None
    Visit.objects.filter(pk=first.pk).update(started_at=first.started_at - timedelta(hours=3))


def only_prepare(case: Case) -> None:
    case.act(kit_prepare, "pharmacist", participant=case.participant)


def quarantine(case: Case) -> None:
    kit = Kit.objects.get(entry__participant=case.participant)
    case.act(kit_quarantine, "pharmacist", kit=kit, reason="The fridge alarm.")


def kits_expire(case: Case) -> None:
    yesterday = case.t.date() - timedelta(days=1)
    with pgtrigger.ignore("allocation.KitBatch:append_only"):
        KitBatch.objects.update(usable_until=yesterday)


def check_out(case: Case) -> None:
    case.act(cover_check_out, "clinician")


def short_stay(case: Case) -> None:
    case.act(cover_check_in, "clinician", until=case.t + 89 * MINUTE)


def cover_of_another_study(case: Case) -> None:
    other = cast.make_study(slug="other-study", prefix="TH")
    case.users["stranger"] = cast.make_user("Otis Brandt")
    cast.join(case.users["stranger"], other, Role.CLINICIAN)
    case.act(cover_check_out, "clinician")
    with case.now():
        actor = cast.actor_of(case.users["stranger"], other)
        cover_check_in(until=case.t + 9 * 60 * MINUTE, actor=actor)


def locum_on_cover(case: Case) -> None:
    """A second physician is at the site too, who has never practised opening a code."""
    case.users["locum"] = cast.make_user("Dr Ada Fenwick")
    with case.now():
        cast.join(case.users["locum"], case.study, Role.CLINICIAN)
    case.cover(role="locum")


def put_on_hold(case: Case) -> None:
    case.act(hold_open, participant=case.participant, kind="symptom", reason="Feels faint.")


def doctor_phoned(case: Case) -> None:
    case.act(
        note_record, "coordinator", participant=case.participant, told_by="doctor", at=case.t,
        text="Their doctor prescribed salbutamol yesterday.",
    )  # fmt: skip


def open_code(case: Case) -> None:
    case.act(
        code_open, "clinician", participant=case.participant, kind="emergency", reason="Collapse.",
        told="The emergency team", password=cast.PASSWORD,
    )  # fmt: skip


# what is left out, what is done instead, the codes that the gate then gives
BROKEN: list[tuple[str, Callable[[Case], Any] | None, set[str]]] = [
    ("", limits_taken_back, {"limits_unconfirmed"}),
    ("", pause, {"dosing_paused"}),
    ("", lose, {"participant_inactive"}),
    ("", withdraw, {"participant_inactive", "consent_withdrawn"}),
    ("identity", None, {"identity_unconfirmed"}),
    ("", dose_before, {"already_dosed"}),
    ("", consent_text_changes, {"consent_outdated", "sign_off_changed", "questions_flagged"}),
    ("", ask_for_more, {"sign_off_missing"}),
    ("", sign_off_runs_out, {"sign_off_expired"}),
    ("", answer_changes, {"sign_off_changed", "questions_flagged"}),  # both read the weight
    ("", lose_number, {"number_missing", "kit_missing"}),
    ("questions", None, {"questions_missing"}),
    ("questions", ill_today, {"questions_flagged", "hold_open"}),
    ("questions", took_a_medicine, {"questions_flagged", "hold_open", "washout"}),
    ("questions", took_a_medicine_and_was_released, {"washout"}),
    ("questions", one_unanswered, {"questions_flagged"}),
    ("", doctor_phoned, {"note_unanswered"}),
    ("vitals", None, {"vitals_missing", "check_missing"}),
    ("", two_readings, {"vitals_undecided"}),
    ("", lambda case: case.forward(31), {"vitals_old"}),
    ("", low_pulse, {"vitals_unreleased"}),
    ("", far_too_low, {"vitals_outside", "hold_open"}),
    ("", visit_one_unfinished, {"visit_unfinished"}),
    ("", visit_one_was_earlier, {"spacing"}),
    ("kit", None, {"kit_missing"}),
    ("kit", only_prepare, {"kit_undispensed"}),
    ("", quarantine, {"kit_quarantined", "kit_undispensed"}),
    ("", kits_expire, {"kit_expired"}),
    ("cover", None, {"cover_absent", "cover_short"}),
    ("", check_out, {"cover_absent", "cover_short"}),
    ("", cover_of_another_study, {"cover_absent", "cover_short"}),
    ("", short_stay, {"cover_short"}),
    ("", locum_on_cover, {"opening_unpractised"}),
    ("", lambda case: case.forward(61), {"cover_stale", "vitals_old"}),
    ("rescue", None, {"rescue_kit"}),
    ("", lambda case: case.rescue(complete=False), {"rescue_kit"}),
    ("stay", None, {"nobody_stays"}),
    ("", put_on_hold, {"hold_open"}),
    ("reminder", None, {"step_open"}),
]
