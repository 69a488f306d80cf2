"""Moving, cancelling, missing, and leaving the path."""

from datetime import timedelta
from typing import Any

import pytest

from scheduling.models import Booking, Series, Visit
from scheduling.selectors.options import move_options
from scheduling.selectors.series import current_series
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel, visit_move
from scheduling.services.leaving import consequences
from scheduling.services.missing import visit_missed
from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.end_hooks import end_hooks
from studylab.participants.models import Consent, Participant
from studylab.participants.record_times import records_before_consent
from studylab.participants.services.ends import participant_end
from tests import cast
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
WEEK = the_lab.wishes("2026-11-24", "2026-12-04")


@pytest.fixture
def series(volunteer: Participant, booker: Actor) -> Series:
    option = the_lab.find(volunteer, WEEK)[0]
    return series_book(participant=volunteer, option=option, actor=booker)


def visit(series: Series, number: int) -> Visit:
    return Visit.objects.select_related("series__participant__study").get(
        series=series, number=number
    )


def moves(row: Visit, *, followers: bool = False) -> Any:
    return move_options(visit=row, followers=followers, wishes=WEEK, now=clock.now()).options


def states(series: Series) -> list[str]:
    return list(series.visits.order_by("number").values_list("state", flat=True))


def active(series: Series) -> set[int]:
    rows = Booking.objects.filter(visit__series=series, is_active=True)
    return set(rows.values_list("visit__number", flat=True))


class TestMove:
    def test_options_keep_the_spacing_to_visits_that_stay(self, series: Series) -> None:
        one, three = visit(series, 1).planned.lower, visit(series, 3).planned.lower
        offered = moves(visit(series, 2))
        assert offered
        for option in offered:
            (row,) = option.visits
            assert timedelta(hours=22) <= row.start - one <= timedelta(hours=26)
            dose = row.start + timedelta(minutes=50)
            assert timedelta(hours=20) <= three - dose <= timedelta(hours=28)

    def test_alone(self, series: Series, booker: Actor) -> None:
        row = visit(series, 2)
        option = next(o for o in moves(row) if o.visits[0].start != row.planned.lower)
        old = set(Booking.objects.filter(visit=row).values_list("pk", flat=True))
        visit_move(visit=row, option=option, reason="Volunteer asked", actor=booker)
        row.refresh_from_db()
        assert row.planned.lower == option.visits[0].start
        assert not Booking.objects.filter(pk__in=old, is_active=True).exists()
        assert active(series) == {1, 2, 3}
        event = Event.objects.get(action="visit.moved")
        assert event.reason == "Volunteer asked"
        assert list(event.data["before"]) == ["2"]

    def test_with_the_visits_after_it(self, series: Series, booker: Actor) -> None:
        """A week later is only possible together; the database agrees at the end, not on the way."""
        first = visit(series, 1)
        later = the_lab.wishes("2026-12-01", "2026-12-04")
        found = move_options(visit=first, followers=True, wishes=later, now=clock.now())
        option = found.options[0]
        assert [row.number for row in option.visits] == [1, 2, 3]
        visit_move(visit=first, option=option, reason="Ill this week", actor=booker)
        assert [v.planned.lower for v in series.visits.order_by("number")] == [
            row.start for row in option.visits
        ]
        assert not moves_exist_outside(first, later)

    def test_by_less_than_its_own_length(self, series: Series, booker: Actor) -> None:
        """Half an hour later, all three: no visit is in the way of its own new time."""
        first = visit(series, 1)
        half = timedelta(minutes=30)
        wanted = [v.planned.lower + half for v in series.visits.order_by("number")]
        found = move_options(
            visit=first, followers=True, wishes=the_lab.wishes("2026-11-24", "2026-11-26"),
            now=clock.now(), limit=60,
        )  # fmt: skip
        option = next(o for o in found.options if [r.start for r in o.visits] == wanted)
        visit_move(visit=first, option=option, reason="Bus", actor=booker)
        assert [v.planned.lower for v in series.visits.order_by("number")] == wanted

    def test_a_move_that_breaks_the_spacing_is_refused(self, series: Series, booker: Actor) -> None:
        row = visit(series, 3)
        option = moves(row)[0]
        late = the_lab.shifted(option.visits[0], timedelta(days=1))
        with pytest.raises(Refused, match="too late"):
            visit_move(visit=row, option=type(option)((late,), 0), reason="Later", actor=booker)
        assert active(series) == {1, 2, 3}

    def test_the_window_counts_from_the_real_start(self, series: Series, booker: Actor) -> None:
        """Visit 1 began an hour late: visit 2 may come 27 hours after its planned start, 26 after the real one."""
        one, two, three = (visit(series, number) for number in (1, 2, 3))
        late = timedelta(hours=1)
        Visit.objects.filter(pk=one.pk).update(
            state="done", started_at=one.planned.lower + late, ended_at=one.planned.upper + late
        )
        with clock.travel(one.planned.upper + late):
            found = move_options(
                visit=two, followers=False, wishes=WEEK, now=clock.now(), limit=200
            ).options
            last = max(found, key=lambda option: option.visits[0].start)
            assert last.visits[0].start - one.planned.lower == timedelta(hours=27)
            assert three.planned.lower > last.visits[0].end
            visit_move(visit=two, option=last, reason="Came late", actor=booker)
        two.refresh_from_db()
        assert (two.gap_earliest, two.gap_latest) == (timedelta(hours=23), timedelta(hours=27))

    def test_needs_a_reason(self, series: Series, booker: Actor) -> None:
        row = visit(series, 2)
        with pytest.raises(Refused, match="Say why"):
            visit_move(visit=row, option=moves(row)[0], reason="  ", actor=booker)

    def test_a_done_visit_stays(self, series: Series, booker: Actor) -> None:
        row = visit(series, 1)
        option = moves(row)[0]
        Visit.objects.filter(pk=row.pk).update(state="done", started_at=row.planned.lower)
        with pytest.raises(Conflict, match="is done and cannot be moved"):
            visit_move(visit=row, option=option, reason="x", actor=booker)

    def test_an_experimenter_does_not_move(
        self, series: Series, experimenter: Any, study: Any
    ) -> None:
        row = visit(series, 2)
        with pytest.raises(NotAllowed):
            visit_move(
                visit=row, option=moves(row)[0], reason="x",
                actor=cast.actor_of(experimenter, study),
            )  # fmt: skip


def moves_exist_outside(first: Visit, later: Any) -> bool:
    """Whether a visit of the moved series still lies before the days it was moved to."""
    return any(
        row.planned.lower.date() < later.first_day
        for row in Visit.objects.filter(series=first.series)
    )


class TestCancel:
    def test_frees_every_place(
        self, series: Series, booker: Actor, study: Any, clinician: Any
    ) -> None:
        series_cancel(series=series, reason="Exam week", actor=booker)
        series.refresh_from_db()
        assert (series.state, series.end_reason) == ("cancelled", "Exam week")
        assert states(series) == ["cancelled"] * 3
        assert active(series) == set()
        other = the_lab.ready_volunteer(study, clinician, 2)
        series_book(participant=other, option=the_lab.find(other, WEEK)[0], actor=booker)

    def test_the_volunteer_can_be_booked_again(
        self, series: Series, booker: Actor, volunteer: Participant
    ) -> None:
        series_cancel(series=series, reason="Exam week", actor=booker)
        again = series_book(
            participant=volunteer, option=the_lab.find(volunteer, WEEK)[0], actor=booker
        )
        assert current_series(volunteer) == again

    def test_done_visits_stay_done(self, series: Series, booker: Actor) -> None:
        row = visit(series, 1)
        Visit.objects.filter(pk=row.pk).update(state="done", started_at=row.planned.lower)
        series_cancel(series=series, reason="Wishes to stop", actor=booker)
        assert states(series) == ["done", "cancelled", "cancelled"]
        assert active(series) == {1}

    def test_not_while_a_visit_runs(self, series: Series, booker: Actor) -> None:
        row = visit(series, 1)
        Visit.objects.filter(pk=row.pk).update(state="running", started_at=row.planned.lower)
        with pytest.raises(Refused, match="under way"):
            series_cancel(series=series, reason="x", actor=booker)

    @pytest.mark.parametrize("reason", ["", "   "])
    def test_needs_a_reason(self, series: Series, booker: Actor, reason: str) -> None:
        with pytest.raises(Refused, match="Say why"):
            series_cancel(series=series, reason=reason, actor=booker)

    def test_twice(self, series: Series, booker: Actor) -> None:
        series_cancel(series=series, reason="Exam week", actor=booker)
        with pytest.raises(Conflict):
            series_cancel(series=series, reason="Exam week", actor=booker)


class TestMissed:
    def test_the_rest_of_the_series_does_not_stay_booked(
        self, series: Series, booker: Actor
    ) -> None:
        row = visit(series, 1)
        with clock.travel(row.planned.lower + timedelta(minutes=40)):
            visit_missed(visit=row, reason="Did not come, phone off", actor=booker)
        assert states(series) == ["missed", "cancelled", "cancelled"]
        assert active(series) == set()
        series.refresh_from_db()
        assert series.state == "cancelled"
        assert "Visit 1 was missed" in series.end_reason

    def test_not_before_it_begins(self, series: Series, booker: Actor) -> None:
        with pytest.raises(Refused, match="not begun yet"):
            visit_missed(visit=visit(series, 1), reason="x", actor=booker)

    def test_twice(self, series: Series, booker: Actor) -> None:
        row = visit(series, 1)
        with clock.travel(row.planned.upper):
            visit_missed(visit=row, reason="Did not come", actor=booker)
            with pytest.raises(Conflict):
                visit_missed(visit=row, reason="Did not come", actor=booker)


class TestLeaving:
    def test_the_hook_is_registered(self) -> None:
        assert "scheduling" in [hook.name for hook in end_hooks()]

    @pytest.mark.parametrize("status", ["withdrawn", "screened_out", "lost"])
    def test_every_way_out_cancels_what_is_to_come(
        self, series: Series, booker: Actor, volunteer: Participant, status: str
    ) -> None:
        said = consequences(volunteer)
        assert len(said) == 3
        assert "room and people are free again" in said[0]
        done = participant_end(
            participant=volunteer, status=status, reason="Moves away", actor=booker
        )
        assert "3 booked visits cancelled." in done
        assert states(series) == ["cancelled"] * 3
        assert active(series) == set()

    def test_a_visit_under_way_is_left_to_those_who_run_it(
        self, series: Series, booker: Actor, volunteer: Participant
    ) -> None:
        row = visit(series, 1)
        Visit.objects.filter(pk=row.pk).update(state="running", started_at=row.planned.lower)
        participant_end(
            participant=volunteer, status="withdrawn", reason="Moves away", actor=booker
        )
        assert states(series) == ["running", "cancelled", "cancelled"]

    def test_the_booking_counts_as_a_record(self, series: Series, volunteer: Participant) -> None:
        """A consent corrected to a time after the booking leaves the booking without one before it."""
        assert "booked series" not in labels(volunteer)
        late = series.booked_at + timedelta(hours=1)
        for old in Consent.objects.filter(participant=volunteer, kind="study"):
            Consent.objects.create(
                participant=volunteer, kind="study", version="1", method="paper", signed_at=late,
                recorded_at=late, supersedes=old, reason="Wrong day",
            )  # fmt: skip
        assert "booked series" in labels(volunteer)


def labels(volunteer: Participant) -> list[str]:
    return [row.label for row in records_before_consent(volunteer)]
