"""Leaving after the dose: refused with every reason, recorded when fit, and the other ways out."""

from dataclasses import replace
from typing import Any

import pgtrigger
import pytest

from scheduling.models import StepRecord
from scheduling.services.leave import NotFit, leave_against_advice, leave_check
from screening.models import Check
from studylab.allocation.services import code_open
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, Refused
from studylab.participants.models import Deviation, Hold
from studylab.participants.services import hold_open
from tests import cast
from tests.allocation import helpers
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.screening.record import checks

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def refused(case: Case, **changed: Any) -> NotFit:
    with pytest.raises(NotFit) as refusal:
        case.leave(**changed)
    assert not StepRecord.objects.filter(step="leave").exists()
    return refusal.value


def test_fit_to_leave_is_recorded_once(rested: Case) -> None:
    record = rested.leave()
    assert record.value["fit"] is True
    assert record.value["ate"] is True
    assert rested.leave(ate=None) == record  # pressed twice
    assert StepRecord.objects.filter(step="leave").count() == 1


def test_ten_minutes_before_four_hours_with_all_values_fine_is_not_yet(dosed: Case) -> None:
    given = dosed.dose.given_at
    dosed.after_dose()
    dosed.t = given + 230 * MINUTE  # 3 h 50 min
    refusal = refused(dosed)
    assert "too_early" in refusal.codes
    assert any("3 h 50 min" in reason and "4 h 00 min" in reason for reason in refusal.reasons)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"ate": False}, "not_eaten"),
        ({"ate": None}, "not_eaten"),
        ({"orthostatic_ok": False}, "standing_test"),
        ({"symptoms": None}, "symptoms_unasked"),
        ({"symptoms": ["dizziness"]}, "symptoms"),
    ],
)
def test_every_missing_or_bad_answer_keeps_the_volunteer_here(
    rested: Case, changed: dict[str, Any], code: str
) -> None:
    assert refused(rested, **changed).codes == (code,)
    event = Event.objects.get(action=Action.LEAVE_REFUSED)
    assert event.data == {"reasons": [code], "emergency": False}


def test_readings_that_are_missing_early_old_or_low_do_not_do(dosed: Case) -> None:
    given = dosed.dose.given_at
    dosed.after_dose()
    dosed.forward(70)
    assert refused(dosed).codes == ("vitals_old",)
    how = replace(checks.HOW, counted_pulse=46)
    dosed.readings("leave", dosed.visit(2), ((92, 60, 47), (91, 60, 46), (90, 60, 46)), how=how)
    assert refused(dosed).codes == ("pulse_low", "systolic_low")
    dosed.readings("leave", dosed.visit(2), ((92, 60, 47),))
    assert refused(dosed).codes == ("vitals_undecided",)
    assert dosed.t > given


def test_readings_taken_too_early_are_taken_again(dosed: Case) -> None:
    dosed.forward(100)
    dosed.readings("leave", dosed.visit(2))
    given = dosed.dose.given_at
    dosed.t = given + 242 * MINUTE
    assert {"vitals_early", "vitals_old", "step_open"} == set(refused(dosed).codes)


def test_a_word_about_standing_up_does_not_replace_the_test(rested: Case) -> None:
    with pgtrigger.ignore("screening.Check:append_only"):
        Check.objects.filter(gate="leave").delete()
    assert refused(rested, orthostatic_ok=True).codes == ("standing_test",)
    failed = {"three_systolic": 97, "three_diastolic": 70}  # from 118: a fall of 21
    with rested.now():
        actor, uid = rested.actor("experimenter"), rested.visit(2).uid
        checks.check(rested.participant, actor, "standing_test", "leave", uid, values=failed)
        checks.check(rested.participant, actor, "standing_test", "leave", uid, reason="Felt fine.")
    assert refused(rested, orthostatic_ok=True).codes == ("standing_test",)


def test_an_open_hold_is_decided_on_first(rested: Case) -> None:
    rested.act(hold_open, participant=rested.participant, kind="symptom", reason="Pale.")
    assert refused(rested).codes == ("hold_open",)


def test_a_red_flag_is_an_emergency_and_opens_a_hold_once(rested: Case) -> None:
    refusal = refused(rested, symptoms=["wheeze"])
    assert refusal.emergency
    assert "emergency number" in refusal.message
    refused(rested, symptoms=["wheeze"])
    assert Hold.objects.filter(participant=rested.participant, kind="symptom").count() == 1


def test_eight_hours_after_the_dose_somebody_not_fit_goes_elsewhere(rested: Case) -> None:
    rested.t = rested.dose.given_at + 479 * MINUTE
    rested.readings("leave", rested.visit(2))
    assert "transfer" not in refused(rested, ate=False).message
    rested.forward(1)
    assert "transfer" in refused(rested, ate=False).message


def test_leaving_against_advice(dosed: Case) -> None:
    dosed.forward(70)
    with pytest.raises(Refused, match="Say how"):
        dosed.act(leave_against_advice, visit=dosed.visit(2), reason="")
    record = dosed.act(leave_against_advice, visit=dosed.visit(2), reason="Has to fetch a child.")
    assert record.value == {"fit": False, "against_advice": True}
    visit = dosed.visit(2)
    assert (visit.state, visit.ended_at) == ("stopped", dosed.t)
    deviation = Deviation.objects.get(kind="leave")
    assert "1 h 10 min after the dose" in deviation.what
    assert record.deviation == deviation
    assert Hold.objects.get(participant=dosed.participant).released_at is None
    with pytest.raises(Conflict):
        dosed.act(leave_against_advice, visit=dosed.visit(2), reason="Again.")


def test_without_a_dose_nobody_leaves_against_advice(booked: Case) -> None:
    booked.visit_one()
    booked.start(2)
    with pytest.raises(Refused, match="Stop the visit instead"):
        booked.act(leave_against_advice, visit=booked.visit(2), reason="Does not want to.")
    with pytest.raises(NotFit) as refusal:
        booked.leave()
    assert "time_unknown" in refusal.value.codes


def test_while_somebody_elses_emergency_goes_on_a_clinician_sees_everybody_who_leaves(
    rested: Case,
) -> None:
    with rested.now():
        other = helpers.ready(rested.study, rested.users["clinician"], 77)
        helpers.issue(other, rested.users["coordinator"])
    rested.act(
        code_open, "clinician", participant=other, kind="emergency", reason="Collapse",
        told="Dr Roe", password=cast.PASSWORD,
    )  # fmt: skip
    refusal = refused(rested)
    assert refusal.codes == ("emergency_beside",)
    assert "code" not in " ".join(refusal.reasons)
    good = {"ate": True, "orthostatic_ok": True, "symptoms": []}
    rested.act(leave_check, "clinician", visit=rested.visit(2), **good)
