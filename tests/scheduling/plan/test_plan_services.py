"""A plan from the question to the bookings, with what can happen in between."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest

from scheduling.models import Booking, FreedTime, PlanRow, PlanRun, Series, SeriesChange, Visit
from scheduling.rules.plan_problem import Placed, Plan
from scheduling.rules.search_check import verify_option
from scheduling.selectors.plan_input import plan_input
from scheduling.selectors.sealed import option_from_json
from scheduling.selectors.timelines import occupancy
from scheduling.services import plan_work
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from scheduling.services.plan_work import work
from scheduling.services.plans import Outdated, plan_ask, plan_decide, plan_stop
from scheduling.tasks import make_plan
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.operation import lease
from studylab.participants.models import Hold, Participant
from studylab.participants.services.acquaintances import acquaintance_decide
from studylab.studies.selectors import plan_of
from tests.scheduling import lab as the_lab
from tests.scheduling.plan.conftest import MONDAY

pytestmark = [pytest.mark.django_db, pytest.mark.database]
Ask = Callable[..., PlanRun]


def test_everybody_is_proposed_a_series_and_nothing_is_booked(planned: PlanRun) -> None:
    assert (planned.state, planned.trouble) == ("ready", "")
    assert (planned.people, planned.placed, planned.bound) == (4, 4, 4)
    assert planned.rows.count() == 4
    assert planned.story
    assert not Series.objects.exists()
    plan = plan_of(planned.protocol_version)
    for row in planned.rows.all():
        option = option_from_json(plan, row.option)
        places = occupancy(option.visits[0].start - timedelta(days=1), option.visits[-1].end + timedelta(days=1))  # fmt: skip
        assert verify_option(plan=plan, option=option, places=places.places) == ()


def test_all_of_it_is_booked_at_once(planned: PlanRun, booker: Actor) -> None:
    chosen = set(planned.rows.values_list("uid", flat=True))
    written = plan_decide(run=planned, chosen=chosen, actor=booker)
    assert len(written) == Series.objects.count() == 4
    assert Visit.objects.filter(state="booked").count() == 12
    assert set(planned.rows.values_list("state", flat=True)) == {"accepted"}
    assert Event.objects.filter(action="series.booked").count() == 4
    decided = Event.objects.get(action="plan.decided")
    assert len(decided.data["accepted"]) == 4
    with pytest.raises(Conflict, match="decided"):
        plan_decide(run=planned, chosen=chosen, actor=booker)


def test_some_or_none_of_it(planned: PlanRun, booker: Actor) -> None:
    first = planned.rows.first()
    assert first is not None
    plan_decide(run=planned, chosen={first.uid}, actor=booker)
    assert Series.objects.get().participant == first.participant
    assert sorted(planned.rows.values_list("state", flat=True)) == [
        "accepted",
        "left",
        "left",
        "left",
    ]


def test_none_of_it(planned: PlanRun, booker: Actor) -> None:
    assert plan_decide(run=planned, chosen=set(), actor=booker) == []
    assert not Series.objects.exists()
    planned.refresh_from_db()
    assert planned.decided_at is not None


def test_the_world_changed_meanwhile(
    planned: PlanRun, booker: Actor, study: Any, clinician: Any
) -> None:
    """Somebody else books a room of the plan, one of the people is put on hold: all are named, nothing is written."""
    rows = list(planned.rows.select_related("participant"))
    option = option_from_json(plan_of(planned.protocol_version), rows[0].option)
    other = the_lab.ready_volunteer(study, clinician, 9)
    series_book(participant=other, option=option, actor=booker)
    Hold.objects.create(participant=rows[1].participant, reason="Called in unwell.", opened_at=clock.now(), opened_by=clinician)  # fmt: skip
    before = Booking.objects.count()
    with pytest.raises(Outdated) as caught:
        plan_decide(run=planned, chosen={row.uid for row in rows}, actor=booker)
    assert caught.value.status == 409
    said = " ".join(caught.value.reasons)
    assert rows[0].participant.code in said
    assert "hold" in said
    assert Booking.objects.count() == before
    fine = {row.uid for row in rows[2:]}
    planned.refresh_from_db()
    assert len(plan_decide(run=planned, chosen=fine, actor=booker)) == 2


def test_booked_series_stay_unless_they_may_move(
    batch: list[Participant], ask: Ask, booker: Actor
) -> None:
    """With a movable series the plan keeps it, moved or not, and books the others around it."""
    option = the_lab.find(batch[0], the_lab.wishes("2026-11-30", "2026-12-02"))[0]
    series = series_book(participant=batch[0], option=option, actor=booker)
    times = [visit.planned.lower for visit in series.visits.all()]
    fixed = ask()
    work(fixed.pk)
    assert fixed.rows.filter(participant=batch[0]).count() == 0
    fixed.refresh_from_db()
    assert (fixed.people, fixed.placed) == (3, 3)
    plan_decide(run=fixed, chosen=set(), actor=booker)
    moving = ask(movable_from=MONDAY)
    work(moving.pk)
    moving.refresh_from_db()
    assert (moving.people, moving.placed) == (4, 4)
    plan_decide(run=moving, chosen=set(moving.rows.values_list("uid", flat=True)), actor=booker)
    assert Series.objects.filter(state="open").count() == 4
    row = moving.rows.filter(series=series).first()
    now = [visit.planned.lower for visit in series.visits.all()]
    assert (now == times) == (row is None)


def test_two_who_know_each_other_are_not_planned_together(
    batch: list[Participant], ask: Ask, booker: Actor
) -> None:
    """Field case F-41: a plan judges everybody at once, so one of a pair waits for the next plan."""
    acquaintance_decide(
        participant=batch[0], code=batch[1].code, apart=True, reason="Flatmates.", actor=booker
    )
    given = plan_input(ask(), clock.now())
    planned, (code, why) = {who.pk for who, _ in given.rows}, given.left_out[0]
    assert planned == {who.pk for who in batch} - {batch[1].pk}
    assert (code, len(given.left_out)) == (batch[1].code, 1)
    assert batch[0].code in why


def test_a_move_is_written_and_a_series_that_changed_is_not_touched(
    batch: list[Participant], planned: PlanRun, booker: Actor
) -> None:
    """A row that moves a booked series: taken once it still stands there, refused after it was cancelled."""
    first, second = planned.rows.all()[:2]
    plan_decide(run=planned, chosen={first.uid}, actor=booker)
    series = Series.objects.get()
    again = PlanRun.objects.get(pk=planned.pk)
    PlanRun.objects.filter(pk=planned.pk).update(decided_at=None, decided_by=None)
    row = PlanRow.objects.get(pk=second.pk)
    starts = [[v.number, v.planned.lower.isoformat()] for v in series.visits.all()]
    PlanRow.objects.filter(pk=first.pk).delete()
    PlanRow.objects.filter(pk=row.pk).update(series=series, before=starts, participant=series.participant, state="proposed")  # fmt: skip
    again.refresh_from_db()
    plan_decide(run=again, chosen={row.uid}, actor=booker)
    series.refresh_from_db()
    wanted = [at for _, at, _ in row.option]
    assert [v.planned.lower.timestamp() for v in series.visits.all()] == wanted
    moved = Event.objects.get(action="visit.moved")
    assert moved.data["before"] == starts
    change = SeriesChange.objects.get(series=series)  # kept, and what became free is offered
    assert (change.kind, change.reason) == ("moved", "Moved by an accepted plan.")
    assert FreedTime.objects.filter(change=change).exists()
    PlanRun.objects.filter(pk=again.pk).update(decided_at=None, decided_by=None)
    series_cancel(series=series, reason="Changed their mind.", actor=booker)
    with pytest.raises(Outdated, match="changed after"):
        plan_decide(run=again, chosen={row.uid}, actor=booker)


def test_an_unsound_plan_is_never_written(batch: list[Participant], ask: Ask) -> None:
    """What comes out of the solver's process is not trusted: two people in one room, and nothing is proposed."""
    run = ask()
    given = plan_input(run, clock.now())
    work(run.pk)
    run.refresh_from_db()
    good = option_from_json(given.plan, run.rows.first().option)  # type: ignore[union-attr]
    PlanRow.objects.all().delete()
    starts = tuple(given.problem.grid.floor(visit.start) for visit in good.visits)
    seats = {
        (visit, number): given.places.places[row.kind][0].place_id
        for visit, rows in enumerate(given.problem.needed)
        for number, row in enumerate(rows)
    }
    double = Plan((Placed(0, starts, seats), Placed(1, starts, seats)), 0, 0)
    PlanRun.objects.filter(pk=run.pk).update(state="running")
    plan_work._propose(run, given, double)
    run.refresh_from_db()
    assert (run.state, run.trouble) == ("failed", plan_work.UNSOUND)
    assert not run.rows.exists()


def test_a_message_that_comes_twice_makes_one_plan(batch: list[Participant], ask: Ask) -> None:
    run = ask()
    make_plan.run(run.pk)
    made = set(run.rows.values_list("uid", flat=True))
    make_plan.run(run.pk)
    assert set(run.rows.values_list("uid", flat=True)) == made
    assert not work(run.pk)


def test_a_lost_message_and_a_dead_worker_are_found(batch: list[Participant], ask: Ask) -> None:
    run = ask()
    later = clock.now() + timedelta(minutes=1)
    assert lease.waiting(PlanRun, clock.now()) == []
    assert lease.waiting(PlanRun, later) == [run.pk]
    for attempt in range(1, lease.ATTEMPTS + 1):
        assert plan_work._claim(run.pk) is not None
        assert lease.take_back(PlanRun, later, then="") == 0
        assert lease.take_back(
            PlanRun, clock.now() + timedelta(minutes=5), then=plan_work.TOO_MUCH
        ) == (attempt < lease.ATTEMPTS)
    run.refresh_from_db()
    assert run.state == "failed"
    assert run.trouble == f"{lease.TOO_OFTEN} {plan_work.TOO_MUCH}"


def test_a_worker_that_was_only_asleep_writes_nothing_more(
    batch: list[Participant], ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its run has passed to another: its own plan is thrown away, row by row."""
    run, checked = ask(), plan_work.troubles

    def taken_over_meanwhile(*given: Any) -> Any:
        lease.take_back(PlanRun, clock.now() + timedelta(minutes=5), then="")
        assert plan_work._claim(run.pk) is not None
        return checked(*given)

    monkeypatch.setattr(plan_work, "troubles", taken_over_meanwhile)
    assert work(run.pk)
    run.refresh_from_db()
    assert (run.state, run.attempt, run.rows.count(), run.story) == ("running", 2, 0, [])


def test_stopping(batch: list[Participant], ask: Ask, booker: Actor) -> None:
    """Before a worker took it nothing happens any more; while it runs the best so far is kept."""
    run = ask()
    plan_stop(run=run, actor=booker)
    assert not work(run.pk)
    other = ask()
    PlanRun.objects.filter(pk=other.pk).update(stop_at=clock.now(), seconds=300)
    work(other.pk)
    other.refresh_from_db()
    assert other.state in ("stopped", "failed")
    assert bool(other.rows.count()) == (other.state == "stopped")
    with pytest.raises(Conflict):
        plan_stop(run=other, actor=booker)


def test_nobody_to_plan(lab: None, ask: Ask) -> None:
    run = ask()
    work(run.pk)
    run.refresh_from_db()
    assert (run.state, run.trouble) == ("failed", plan_work.NOBODY)


def test_what_if(lab: None, ask: Ask) -> None:
    """Three days, two rooms, two experimenters: one room more alone does not help, since people limit it too."""
    run = ask(purpose="what_if")
    PlanRun.objects.filter(pk=run.pk).update(seconds=4)
    work(run.pk)
    run.refresh_from_db()
    assert run.state == "ready", run.trouble
    answers = {row["name"]: row for row in run.answer}
    base = answers["as it is"]
    assert 0 < base["fit"] <= base["bound"]
    assert all(row["bound"] >= base["fit"] for row in answers.values())
    assert {"one more lab room", "one more waiting chair", "everything open one hour longer"} <= set(answers)  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"first_day": MONDAY, "last_day": MONDAY - timedelta(days=1)}, "last_day"),
        ({"first_day": MONDAY - timedelta(days=60), "last_day": MONDAY - timedelta(days=30)}, "last_day"),
        ({"last_day": MONDAY + timedelta(days=200)}, "last_day"),
        ({"seconds": 7}, "seconds"),
    ],
)  # fmt: skip
def test_questions_that_make_no_sense(lab: None, ask: Ask, changes: dict, field: str) -> None:
    with pytest.raises(Refused) as caught:
        ask(**changes)
    assert caught.value.field == field


def test_one_plan_at_a_time_and_only_for_those_who_book(
    lab: None, ask: Ask, study: Any, experimenter: Any, actor_of: Callable[[Any], Actor]
) -> None:
    ask()
    with pytest.raises(Conflict, match="already"):
        ask()
    with pytest.raises(NotAllowed):
        plan_ask(
            study=study, purpose="plan", first_day=MONDAY, last_day=MONDAY, movable_from=None,
            seconds=15, actor=actor_of(experimenter),
        )  # fmt: skip
    stranger = replace(actor_of(experimenter), study_id=study.pk + 1, roles=frozenset())
    with pytest.raises(NotAllowed):
        plan_stop(run=PlanRun.objects.get(), actor=stranger)
