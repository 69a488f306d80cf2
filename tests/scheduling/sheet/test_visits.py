"""Starting, finishing and stopping visits; spacing judged by what really happened."""

from datetime import timedelta

import pytest

from scheduling.models import Visit
from scheduling.services.visits import visit_finish, visit_start, visit_stop
from screening.services import number_issue
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.participants.models import Deviation, Hold
from studylab.participants.services import participant_lost
from tests.allocation.raw_sql import refused_by_database
from tests.scheduling.sheet.builder import MINUTE, Case

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_the_first_visit_has_nothing_to_keep_distance_from(booked: Case) -> None:
    visit = booked.start(1)
    assert (visit.state, visit.started_at) == ("running", booked.t)
    assert (visit.anchor_at, visit.spacing_deviation) == (None, None)
    with pytest.raises(Conflict, match="under way already"):
        booked.act(visit_start, visit=visit)


@pytest.mark.parametrize(("late", "outside"), [(0, False), (120, False), (121, True), (-121, True)])
def test_the_second_visit_is_judged_by_the_real_start_of_the_first(
    booked: Case, late: float, outside: bool
) -> None:
    booked.visit_one()
    first = booked.visit(1)
    assert first.started_at is not None
    shift = first.started_at + timedelta(hours=24) - booked.visit(2).planned.lower
    visit = booked.start(2, late=shift / MINUTE + late)
    assert visit.anchor_at == first.started_at
    assert (visit.rule_earliest, visit.rule_latest) == (timedelta(hours=22), timedelta(hours=26))
    assert (visit.spacing_deviation is not None) == outside
    if outside:
        assert visit.spacing_deviation.found_by_system
        assert ("too early" if late < 0 else "too late") in visit.spacing_deviation.what


def test_sql_refuses_a_start_outside_the_spacing_without_a_deviation(booked: Case) -> None:
    booked.visit_one()
    visit = booked.start(2)
    late = visit.anchor_at + timedelta(hours=26, seconds=1)
    refused_by_database(
        "UPDATE scheduling_visit SET started_at = %s WHERE id = %s", late, visit.pk,
        says="visit_spacing_kept",
    )  # fmt: skip


def test_visits_come_in_order_and_only_for_people_who_take_part(booked: Case) -> None:
    with pytest.raises(Refused, match="Visit 1 is booked: it comes first"):
        booked.start(2)
    booked.start(1)
    with pytest.raises(Refused, match="Visit 1 is under way"):
        booked.start(2)


def test_nobody_who_left_the_study_starts_a_visit(booked: Case) -> None:
    booked.act(participant_lost, "coordinator", participant=booked.participant, reason="Gone.")
    Visit.objects.filter(pk=booked.visit(1).pk).update(state="booked")
    with pytest.raises(Refused, match="lost to contact"):
        booked.start(1)


def test_a_visit_on_another_day_needs_a_reason_which_explains_the_deviation(booked: Case) -> None:
    with pytest.raises(RefusedWithReasons) as refused:
        booked.start(1, late=24 * 60)
    assert "not for today" in refused.value.reasons[0]
    assert booked.visit(1).state == "booked"
    booked.start(1, late=24 * 60, reason="The tram broke down.")
    deviation = Deviation.objects.get()
    assert (deviation.explanation, deviation.state) == ("The tram broke down.", "explained")


def test_no_visit_that_shows_an_open_factor_before_the_number() -> None:
    case = Case()
    case.prepare_study()
    case.screen()
    case.book(number=False)
    with pytest.raises(Refused, match="allocation number"):
        case.start(1)
    case.act(number_issue, "coordinator", participant=case.participant)
    assert case.start(1)


@pytest.mark.parametrize("role", ["coordinator", "pharmacist", "lead"])
def test_only_some_roles_run_visits(booked: Case, role: str) -> None:
    with pytest.raises(NotAllowed):
        booked.act(visit_start, role, visit=booked.visit(1))


def test_a_visit_ends_when_its_required_steps_are_recorded(first: Case) -> None:
    first.fill(1, until="rating_clear")
    first.step(1, "sensors_off", {"done": True}, deviation_reason="Toilet.")
    with pytest.raises(RefusedWithReasons) as refused:
        first.finish(1)
    assert refused.value.reasons == (
        "“How easy was the story to follow, from 0 to 10?” is not recorded.",
    )
    first.step(1, "rating_clear", {"value": 7})
    visit = first.finish(1)  # the note is not required
    assert (visit.state, visit.ended_at) == ("done", first.t)
    with pytest.raises(Conflict, match="done"):
        first.act(visit_finish, visit=visit)


def test_a_dosing_visit_does_not_end_without_a_dose_or_a_leave_check(rested: Case) -> None:
    with pytest.raises(RefusedWithReasons) as refused:
        rested.finish(2)
    assert [reason[:14] for reason in refused.value.reasons] == ["“Fit to leave?"]
    rested.leave()
    assert rested.finish(2).state == "done"


def test_a_visit_without_a_dose_is_stopped_with_a_reason(booked: Case) -> None:
    booked.visit_one()
    booked.begin_two()
    with pytest.raises(Refused, match="Say why"):
        booked.act(visit_stop, visit=booked.visit(2), reason=" ")
    visit = booked.act(visit_stop, visit=booked.visit(2), reason="Pulse too low.")
    assert (visit.state, visit.ended_at) == ("stopped", booked.t)
    assert Deviation.objects.get().explanation == "Pulse too low."


def test_after_a_visit_that_was_stopped_the_next_one_needs_a_reason(booked: Case) -> None:
    booked.visit_one()
    booked.begin_two()
    booked.act(visit_stop, visit=booked.visit(2), reason="Pulse too low.")
    with pytest.raises(RefusedWithReasons) as refused:
        booked.start(3)
    assert "Visit 2 was stopped early" in refused.value.reasons[0]
    visit = booked.start(3, reason="The memory test is done all the same.")
    assert visit.anchor_at is None
    assert "the dose of visit 2 is not known" in visit.spacing_deviation.what


def test_after_a_dose_a_visit_stops_only_when_somebody_takes_the_volunteer_over(
    dosed: Case,
) -> None:
    dosed.forward(30)
    with pytest.raises(Refused, match="A dose was given") as refused:
        dosed.act(visit_stop, visit=dosed.visit(2), reason="Fainted.")
    assert refused.value.field == "handed_to"
    visit = dosed.act(
        visit_stop, visit=dosed.visit(2), reason="Fainted.", handed_to="Harbour Hospital"
    )
    assert visit.state == "stopped"
    hold = Hold.objects.get(participant=dosed.participant)
    assert "Harbour Hospital" in hold.reason
    assert "0 h 30 min after the dose" in hold.reason
