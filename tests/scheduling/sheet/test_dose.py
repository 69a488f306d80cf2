"""Two people, one dose: what each must say, what is taken once, and what the database itself refuses."""

from datetime import timedelta
from decimal import Decimal
from typing import Any
from uuid import uuid4

import pytest

from scheduling.models import Dose, StepRecord
from scheduling.selectors.sheet import sheet_of
from scheduling.services.doses import GateShut, dose_correct
from scheduling.services.visits import visit_stop
from studylab.access import Role
from studylab.allocation.models import Kit
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.models import Deviation
from studylab.participants.services import hold_open
from tests import cast
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling.sheet.builder import MINUTE, Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]

INSERT = """INSERT INTO scheduling_dose (uid, visit_id, participant_id, kit_id, count, strength_mg,
    given_at, wait, recorded_at, given_by_id, checked_by_id, mouth_checked, gate, reason)
    VALUES (gen_random_uuid(), %s, %s, %s, %s, %s, %s, '90 minutes', %s, %s, %s, true, '{}', '')"""


@pytest.fixture
def case(ready: Case) -> Case:
    return ready


def row(case: Case, count: int = 1, strength: int = 40, **changed: Any) -> list[Any]:
    kit = changed.get("kit") or Kit.objects.get(entry__participant=case.participant)
    second = changed.get("second", case.supervisor)
    return [
        case.visit(2).pk, case.participant.pk, kit.pk, count, strength, changed.get("at", case.t),
        case.t, case.users["experimenter"].pk, second.pk,
    ]  # fmt: skip


# The amount: count times strength, read twice ----------------------------------------------------


@pytest.mark.parametrize(
    "read",
    [
        {"count": 2},
        {"count": 2, "strength_mg": Decimal("20")},  # the same product, another supply
        {"strength_mg": Decimal("80")},
        {"strength_mg": 39.9},
        {"second_count": 100},
        {"second_count": 4, "second_strength_mg": Decimal("10")},
        {"second_strength_mg": Decimal("40.01")},
        {"count": 0, "second_count": 0},
    ],
)
def test_any_other_amount_read_by_either_person_stops_the_dose(
    case: Case, read: dict[str, Any]
) -> None:
    with pytest.raises(GateShut) as refused:
        case.give(**read)
    assert set(refused.value.codes) == {"amount_wrong"}
    assert not Dose.objects.exists()
    assert Kit.objects.filter(state="given").count() == 0
    assert Event.objects.filter(action=Action.DOSE_REFUSED).count() == 1


def test_neither_person_is_told_what_the_other_entered(case: Case) -> None:
    with pytest.raises(GateShut) as refused:
        case.give(second_count=3, second_strength_mg=Decimal("17"))
    assert "17" not in " ".join(refused.value.reasons)
    assert "second person" in refused.value.reasons[0]


def test_a_strength_read_as_a_number_of_any_kind_is_compared_exactly(case: Case) -> None:
    assert case.give(strength_mg=40.0, second_strength_mg=40).strength_mg == 40


# The second person -------------------------------------------------------------------------------


def refused_second(case: Case, field: str, **changed: Any) -> Refused:
    with pytest.raises(Refused) as refused:
        case.give(**changed)
    assert refused.value.field == field
    assert not Dose.objects.exists()
    return refused.value


def test_the_second_person_is_somebody_else_of_the_study_with_their_own_password(
    case: Case,
) -> None:
    first = case.users["experimenter"].email
    refused_second(case, "second_email", second_email=first)
    refused_second(case, "second_email", second_email=f" {first.upper()} ")
    refused_second(case, "second_email", second_email="nobody@lab.example")
    stranger = cast.make_user("Otis Brandt")
    refused_second(case, "second_email", second_email=stranger.email)
    refused_second(case, "second_password", second_password="wrong")
    assert Event.objects.filter(
        action=Action.SIGNATURE_REFUSED, actor_id=case.supervisor.pk
    ).exists()


@pytest.mark.shows("A-09")
def test_a_monitor_reads_only(case: Case) -> None:
    monitor = cast.make_user("Mona Sayers")
    cast.join(monitor, case.study, Role.MONITOR)
    refused_second(case, "second_email", second_email=monitor.email)


def test_a_pharmacist_takes_no_part_in_a_visit(case: Case) -> None:
    refused_second(case, "second_email", second_email=case.users["pharmacist"].email)


def test_a_first_dose_is_given_beside_somebody_who_may_supervise_it(case: Case) -> None:
    with pytest.raises(GateShut) as refused:
        case.give(second_email=case.users["second"].email)
    assert refused.value.codes == ("first_dose_unsupervised",)
    beside_a_novice = row(case, second=case.users["second"])
    refused_by_database(INSERT, *beside_a_novice, says="supervised")
    assert case.give(second_email=case.users["clinician"].email).checked_by.name == "Milo Hartwell"


def test_a_wrong_kit_or_amount_is_a_near_miss_that_names_its_stage(case: Case) -> None:
    for wrong in ({"kit_number": "9F79-BK9"}, {"count": 2}):
        with pytest.raises(GateShut):
            case.give(**wrong)
    told = Deviation.objects.filter(kind="kit").values_list("what", flat=True)
    assert len(told) == 2
    assert all(what.startswith("Near miss at giving") for what in told)


@pytest.mark.parametrize("role", ["coordinator", "pharmacist", "lead"])
def test_only_who_runs_visits_gives_a_dose(case: Case, role: str) -> None:
    with pytest.raises(NotAllowed):
        case.give(role)
    assert not Dose.objects.exists()


# Time --------------------------------------------------------------------------------------------


def test_a_dose_is_recorded_within_ten_minutes_and_never_ahead(case: Case) -> None:
    for minutes in (0.1, 11):
        given_at = case.t + (MINUTE * 0.1 if minutes < 1 else -11 * MINUTE)
        with pytest.raises(Refused) as refused:
            case.give(given_at=given_at)
        assert refused.value.field == "given_at"
    case.forward(9)
    assert case.give(given_at=case.t - 9 * MINUTE)


def test_a_time_without_a_zone_is_refused(case: Case) -> None:
    with pytest.raises(Refused) as refused:
        case.give(given_at=case.t.replace(tzinfo=None))
    assert refused.value.field == "given_at"


# Once --------------------------------------------------------------------------------------------


def test_the_same_act_sent_twice_is_one_dose(case: Case) -> None:
    client_id = uuid4()
    first = case.give(client_id=client_id)
    case.forward(3)
    assert case.give(client_id=client_id, second_password="not looked at again") == first
    assert Dose.objects.count() == 1
    assert Event.objects.filter(action=Action.DOSE_GIVEN).count() == 1


def test_an_id_of_another_act_is_not_a_dose(case: Case) -> None:
    taken = StepRecord.objects.get(step="reminder").client_id
    with pytest.raises(Conflict):
        case.give(client_id=taken)
    assert not Dose.objects.exists()


def test_no_dose_after_the_visit_was_stopped(case: Case) -> None:
    case.act(visit_stop, visit=case.visit(2), reason="Does not want the capsule.")
    with pytest.raises(Conflict, match="not under way"):
        case.give()


def test_a_mouth_that_was_not_checked_is_a_deviation(case: Case) -> None:
    case.give(mouth_checked=False)
    deviation = Deviation.objects.get(kind="step", subject="visit 2, step dose")
    assert "mouth" in deviation.what


# The database itself -----------------------------------------------------------------------------


def test_sql_refuses_a_second_dose(case: Case) -> None:
    case.give()
    refused_by_database(INSERT, *row(case), says="dose_once")


def test_sql_refuses_a_dose_on_hold(case: Case) -> None:
    case.act(hold_open, participant=case.participant, kind="other", reason="Wait.")
    refused_by_database(INSERT, *row(case), says="on hold")


def test_sql_refuses_more_than_the_ceiling_and_nothing(case: Case) -> None:
    refused_by_database(INSERT, *row(case, count=2), says="40 mg")
    refused_by_database(INSERT, *row(case, strength=80), says="40 mg")
    refused_by_database(INSERT, *row(case, count=0), says="dose_positive")


def test_sql_refuses_another_kit_one_person_and_the_future(case: Case) -> None:
    other = Kit.objects.filter(state="in_stock").first()
    refused_by_database(INSERT, *row(case, kit=other), says="not handed out")
    alone = row(case)
    alone[-2] = alone[-1]
    refused_by_database(INSERT, *alone, says="dose_two_people")
    later = row(case, at=case.t + MINUTE)
    refused_by_database(INSERT, *later, says="dose_not_in_future")


def test_sql_refuses_to_change_or_remove_a_dose(case: Case) -> None:
    dose = case.give()
    refused_by_database("UPDATE scheduling_dose SET given_at = now() WHERE id = %s", dose.pk)
    refused_by_database("DELETE FROM scheduling_dose WHERE id = %s", dose.pk)


# Corrections -------------------------------------------------------------------------------------


def correct(case: Case, minutes: float, **changed: Any) -> Dose:
    dose = changed.pop("dose", None) or case.dose
    new: Dose = case.act(
        dose_correct, dose=dose, given_at=dose.given_at + minutes * MINUTE,
        reason=changed.pop("reason", "Read from the video."),
    )  # fmt: skip
    return new


def test_a_corrected_time_moves_the_wait_and_the_old_record_stays(case: Case) -> None:
    case.forward(5)
    old = case.give(given_at=case.t - 4 * MINUTE)
    case.forward(20)
    before = sheet_of(case.visit(2), case.t)
    new = correct(case, 4)
    after = sheet_of(case.visit(2), case.t)
    assert before.wait is not None
    assert after.wait is not None
    assert after.wait.due_at - before.wait.due_at == 4 * MINUTE
    assert after.leave_earliest - before.leave_earliest == 4 * MINUTE
    assert (new.supersedes, new.given_by, new.kit) == (old, old.given_by, old.kit)
    assert Dose.objects.filter(pk=old.pk, given_at=old.given_at).exists()
    assert after.steps[5].record.occurred_at == new.given_at
    assert Event.objects.filter(action=Action.DOSE_CORRECTED).count() == 1


def test_a_correction_needs_a_reason_a_possible_time_and_the_newest_record(case: Case) -> None:
    old = case.give()
    case.forward(5)
    for minutes, reason in ((1, " "), (6, "Later than now."), (-24 * 60, "Before the visit.")):
        with pytest.raises(Refused):
            correct(case, minutes, reason=reason)
    correct(case, 2)
    with pytest.raises(Conflict, match="meanwhile"):
        correct(case, 3, dose=old)


def test_what_was_too_early_by_the_corrected_time_becomes_a_deviation(case: Case) -> None:
    case.give()
    case.after_dose()
    case.leave()
    case.finish(2)
    correct(case, 1)
    assert not Deviation.objects.filter(kind__in=["wait", "leave"]).exists()
    # The check began 92 minutes after the first time, the leave check was 247 minutes after it.
    correct(case, 9)
    assert Deviation.objects.filter(kind="wait", explanation="Read from the video.").count() == 1
    assert Deviation.objects.filter(kind="leave").count() == 1


def test_a_started_third_visit_is_counted_from_the_corrected_dose(case: Case) -> None:
    case.give()
    case.after_dose()
    case.leave()
    case.finish(2)
    third = case.start(3)
    assert third.anchor_at == case.dose.given_at
    assert third.spacing_deviation is None
    moved = third.started_at - timedelta(hours=19) - case.dose.given_at
    correct(case, moved / MINUTE)
    third.refresh_from_db()
    assert third.anchor_at == case.dose.given_at
    assert third.spacing_deviation is not None
