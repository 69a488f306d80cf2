"""Every condition of the dose gate, broken one at a time through the services: no dose, the reason named."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.db import transaction

from scheduling.models import Dose, StepRecord
from scheduling.selectors.gate import dose_gate_of
from scheduling.services.cover import cover_check_out
from scheduling.services.doses import GateShut
from studylab.access import Role
from studylab.allocation.models import Kit
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Refused
from studylab.participants.models import Hold
from studylab.participants.services import (
    hold_release,
)
from tests import cast
from tests.scheduling.sheet.breaks import BROKEN, LOW_PULSE, low_pulse, open_code
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]

LEFT_OUT = sorted({left_out for left_out, _, _ in BROKEN})


@pytest.mark.parametrize("left_out", LEFT_OUT)
def test_broken_one_at_a_time(seen_once: Case, left_out: str) -> None:
    """One volunteer is made ready; each break is tried on its own and taken back."""
    case = seen_once
    case.begin_two({left_out})
    for missing, instead, codes in BROKEN:
        if missing == left_out:
            with taken_back(case):
                refused_for(case, instead, codes)
    assert left_out or case.give()  # what was taken back is whole again


@contextmanager
def taken_back(case: Case) -> Iterator[None]:
    t = case.t
    with transaction.atomic():
        yield
        transaction.set_rollback(True)
    case.t = t


def refused_for(case: Case, instead: Callable[[Case], Any] | None, codes: set[str]) -> None:
    if instead:
        instead(case)
    doses, steps = Dose.objects.count(), StepRecord.objects.filter(step="dose").count()
    with pytest.raises(GateShut) as refused:
        case.give()
    name = getattr(instead, "__name__", "left out")
    assert set(refused.value.codes) == codes, name
    assert len(refused.value.reasons) == len(refused.value.codes)
    assert all(reason.strip().endswith(".") for reason in refused.value.reasons), name
    assert (Dose.objects.count(), StepRecord.objects.filter(step="dose").count()) == (doses, steps)
    assert Kit.objects.filter(state="given").count() == doses
    event = Event.objects.get(action=Action.DOSE_REFUSED)
    assert set(event.data["reasons"]) == codes, name


def test_the_good_case_is_given_and_everything_of_it_is_on_record(ready: Case) -> None:
    case = ready
    dose = case.give()
    assert (dose.count, dose.strength_mg, dose.wait) == (1, Decimal("40"), timedelta(minutes=90))
    assert dose.given_at == case.t
    assert dose.kit.number == case.kit_number()
    assert (dose.given_by, dose.checked_by) == (case.users["experimenter"], case.supervisor)
    record = StepRecord.objects.get(step="dose")
    assert record.value == {"dose": str(dose.uid), "kit": dose.kit.number}
    assert Kit.objects.get(number=dose.kit.number).state == "given"
    assert Event.objects.filter(action=Action.DOSE_GIVEN).count() == 1
    assert not Event.objects.filter(action=Action.DOSE_REFUSED).exists()


def test_the_record_of_the_gate_tells_nothing_about_batches_or_arms(ready: Case) -> None:
    case = ready
    dose = case.give()
    assert dose.gate["open"] is True
    assert dose.gate["facts"]["pre_dose"]["decision"]["pulse"] == 67.0
    assert dose.gate["facts"]["kit"]["usable_until"] is None
    text = str(dose.gate).lower()
    for word in ("2027-06", "2027-07", "placebo", "propranolol", "b-01", "b-02"):
        assert word not in text


def test_the_selector_gives_every_reason_at_once(booked: Case) -> None:
    case = booked
    with case.now():
        result = dose_gate_of(visit=case.visit(2), kit_number=None, at=case.t)
    assert result.codes == {
        "visit_not_running", "identity_unconfirmed", "visit_unfinished", "spacing", "questions_missing",
        "vitals_missing", "check_missing", "kit_missing", "cover_absent", "cover_short", "step_open",
        "rescue_kit", "nobody_stays",
    }  # fmt: skip


def test_a_kit_that_is_not_scanned_or_another_one_is_refused(ready: Case) -> None:
    case = ready
    other = Kit.objects.filter(state="in_stock").first()
    assert other is not None
    for typed in ("", "   ", other.number, "nonsense"):
        with pytest.raises(GateShut) as refused:
            case.give(kit_number=typed)
        assert refused.value.codes == ("kit_unscanned",)
    assert case.give(kit_number=case.kit_number().lower().replace("-", " "))


def test_yesterdays_answers_and_readings_do_not_open_today(ready: Case) -> None:
    case = ready
    with case.now():
        tomorrow = dose_gate_of(
            visit=case.visit(2), kit_number=case.kit_number(), at=case.t + timedelta(days=1)
        )
    assert tomorrow.codes == {
        "questions_old", "vitals_old", "cover_absent", "cover_short", "rescue_kit",
    }  # fmt: skip


def test_no_dose_at_a_visit_without_one(booked: Case) -> None:
    case = booked
    case.start(1)
    with case.now():
        result = dose_gate_of(visit=case.visit(1), kit_number="x", at=case.t)
    assert "no_dose_here" in result.codes


def test_a_released_hold_opens_the_gate_for_those_very_readings(ready: Case) -> None:
    case = ready
    low_pulse(case)
    case.forward(15)
    case.readings("pre_dose", case.visit(2), LOW_PULSE)  # the one repeat: now a hold
    hold = Hold.objects.get(participant=case.participant)
    with pytest.raises(GateShut) as refused:
        case.give()
    assert set(refused.value.codes) == {"vitals_unreleased", "hold_open"}
    case.act(
        hold_release, "clinician", hold=hold, reason="Trains daily, feels well.",
        password=cast.PASSWORD,
    )  # fmt: skip
    assert case.give()


def test_personal_limits_of_the_sign_off_count() -> None:
    case = Case()
    case.prepare_study()
    case.screen()
    case.sign_off({"pulse_from": 52})
    case.book()
    case.visit_one()
    case.begin_two({"vitals"})
    case.readings("pre_dose", case.visit(2), LOW_PULSE)
    dose = case.give()
    assert dose.gate["facts"]["pre_dose"]["decision"]["pulse"] == 55.0


def test_a_late_start_with_its_deviation_does_not_shut_the_gate(seen_once: Case) -> None:
    case = seen_once
    case.begin_two(late=150)  # 24 h are planned, 26 h allowed
    visit = case.visit(2)
    assert visit.spacing_deviation is not None
    assert visit.spacing_deviation.kind == "spacing"
    assert case.give()


def test_another_clinician_on_site_is_cover_too() -> None:
    case = Case()
    with case.now():
        case.users["third"] = cast.make_user("Ida Brun")
        cast.join(case.users["third"], case.study, Role.CLINICIAN)
    case.ready()
    with case.now():
        cast.practise(case.study, case.users["third"])
    case.cover(hours=3, role="third")
    case.act(cover_check_out, "clinician")
    assert case.give().gate["facts"]["cover"]["present"] is True


def test_after_a_code_was_opened_nothing_is_given(ready: Case) -> None:
    case = ready
    # By a clinician who is not in the room; it commits by itself, so it cannot be tried and taken back like the others.
    in_the_room, case.users["clinician"] = case.users["clinician"], cast.make_user("Ines Falk")
    cast.join(case.users["clinician"], case.study, Role.CLINICIAN)
    open_code(case)
    case.users["clinician"] = in_the_room
    refused_for(case, None, {"dosing_stopped", "hold_open"})


def test_a_kit_is_handed_out_on_the_day_of_the_dosing_visit_only(booked: Case) -> None:
    """The day before, the right kit for the right volunteer stays in the dispensary."""
    with pytest.raises(Refused, match="not for today"):
        booked.kit()
    assert not Kit.objects.filter(state="dispensed").exists()
