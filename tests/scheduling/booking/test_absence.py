"""Late and missing volunteers by the study's rule, taking back, and what no longer fits."""

from collections.abc import Callable
from datetime import time, timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Booking, FreedTime, Series, SeriesChange, Visit
from scheduling.selectors.late import late_shown
from scheduling.selectors.misfits import misfits
from scheduling.selectors.options import move_options
from scheduling.selectors.series import readiness
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel, visit_move
from scheduling.services.missing import visit_missed
from scheduling.services.undo import change_undo
from studylab import clock
from studylab.access import Actor
from studylab.errors import Conflict, NotAllowed
from studylab.participants.models import Participant
from studylab.studies.rules.loader import protocol_hash
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK, page, series_url, tokens

pytestmark = [pytest.mark.django_db, pytest.mark.database]
MINUTE = timedelta(minutes=1)


def visit(series: Series, number: int) -> Visit:
    return Visit.objects.select_related("series__participant__study", "participant__study").get(
        series=series, number=number
    )


def states(series: Series) -> list[str]:
    return list(series.visits.order_by("number").values_list("state", flat=True))


def active(series: Series) -> list[tuple[int, int]]:
    rows = Booking.objects.filter(visit__series=series, is_active=True)
    return sorted(rows.values_list("visit__number", "place_id"))


def began(series: Series, number: int, late: timedelta) -> None:
    """Write that a visit began so much later than planned, and is over."""
    row = visit(series, number)
    Visit.objects.filter(pk=row.pk).update(
        state="done", started_at=row.planned.lower + late, ended_at=row.planned.upper + late,
    )  # fmt: skip


class TestTheRule:
    """demo.toml: visit 1 begins again, visit 2 closes, visit 3 shifts."""

    @pytest.fixture
    def tablet(self, client_of: Callable[[Any], Client], experimenter: Any) -> Client:
        return client_of(experimenter)

    def test_two_taps_on_the_tablet(self, tablet: Client, booked: Series, volunteer: Participant) -> None:  # fmt: skip
        row = visit(booked, 1)
        url = reverse("visit_absent", args=["slide-story", row.uid])
        assert tablet.get(url).status_code == 409
        with clock.travel(row.planned.lower + 20 * MINUTE):
            assert url in page(tablet, reverse("today", args=["slide-story"]))
            html = page(tablet, url)
            assert "begins again from the first visit" in html
            assert "Visit 2 is cancelled and its room and people are free again." in html
            assert tablet.post(url, {"quick": "", "reason": " "}).status_code == 422
            done = tablet.post(url, {"quick": "Did not come, not reached."})
            assert done.status_code == 302
            assert states(booked) == ["missed", "cancelled", "cancelled"]
            assert not readiness(volunteer, clock.now()).obstacles
            freed = FreedTime.objects.get()
            assert freed.change is not None
            assert freed.change.kind == "missed"
            assert freed.last > clock.now()

    def test_a_rule_that_closes_the_path_books_no_other(
        self, booked: Series, booker: Actor, volunteer: Participant
    ) -> None:
        began(booked, 1, timedelta(0))
        row = visit(booked, 2)
        with clock.travel(row.planned.lower + 20 * MINUTE):
            visit_missed(visit=row, reason="Did not come", actor=booker)
            assert states(booked) == ["done", "missed", "cancelled"]
            assert "closed this volunteer's path" in " ".join(readiness(volunteer, clock.now()).obstacles)  # fmt: skip

    def test_a_rule_that_shifts_keeps_the_series_open(self, booked: Series, booker: Actor, study: Any) -> None:  # fmt: skip
        old = booked.protocol_version
        text = old.document.replace('if_missed = "close" ', 'if_missed = "shift" ')
        assert text != old.document
        shifting = type(old).objects.create(
            study=study, number=2, document=text, sha256=protocol_hash(text), added_at=clock.now()
        )
        Series.objects.filter(pk=booked.pk).update(protocol_version=shifting)
        began(booked, 1, timedelta(0))
        row = visit(booked, 2)
        with clock.travel(row.planned.lower + 20 * MINUTE):
            visit_missed(visit=row, reason="Overslept, is on the way", actor=booker)
            assert states(booked) == ["done", "missed", "cancelled"]
            assert Series.objects.get(pk=booked.pk).state == "open"
            found = move_options(visit=visit(booked, 2), followers=True, wishes=WEEK, now=clock.now())  # fmt: skip
            option = found.options[0]
            assert [one.number for one in option.visits] == [2, 3]
            visit_move(visit=visit(booked, 2), option=option, reason="Comes at noon", actor=booker)
            assert states(booked) == ["done", "booked", "booked"]


class TestLate:
    def test_begins_now_and_the_next_visit_stays(
        self, client_of: Callable[[Any], Client], experimenter: Any, booked: Series
    ) -> None:
        tablet, row = client_of(experimenter), visit(booked, 1)
        url = reverse("visit_absent", args=["slide-story", row.uid])
        with clock.travel(row.planned.lower + 38 * MINUTE):
            (token,) = tokens(page(tablet, url))
        with clock.travel(row.planned.lower + 44 * MINUTE):  # some minutes pass before the press
            assert tablet.post(url, {"late": "1", "option": token}).status_code == 302
        moved = visit(booked, 1)
        assert moved.planned.lower == row.planned.lower + 40 * MINUTE
        assert states(booked) == ["booked"] * 3
        with clock.travel(row.planned.lower + 90 * MINUTE):
            assert tablet.post(url, {"late": "1", "option": token}).status_code == 409

    def test_too_late_for_the_window_says_so(self, booked: Series) -> None:
        began(booked, 1, timedelta(0))
        row = visit(booked, 2)
        with clock.travel(visit(booked, 1).planned.lower + timedelta(hours=26, minutes=10)):
            shown = late_shown(row, clock.now())
        assert (shown.token, shown.rows) == ("", [])
        assert "spacing" in " ".join(shown.why_none)


class TestMisfits:
    def test_visit_three_counts_from_when_visit_two_really_was(
        self, volunteer: Participant, study: Any, booker: Actor
    ) -> None:
        """Visit 2 began 100 minutes late: its dose is expected so much later, and visit 3 comes too early."""
        afternoons = the_lab.wishes("2026-11-24", "2026-11-30", not_earlier=time(13))
        option = the_lab.find(volunteer, afternoons)[0]
        booked = series_book(participant=volunteer, option=option, actor=booker)
        three = visit(booked, 3)
        found = move_options(visit=three, followers=False, wishes=WEEK, now=clock.now(), limit=200)
        soonest = min(found.options, key=lambda option: option.visits[0].start)
        visit_move(visit=three, option=soonest, reason="Train", actor=booker)
        began(booked, 1, timedelta(0))
        assert misfits(study) == []
        one, two, three = (visit(booked, number) for number in (1, 2, 3))
        Visit.objects.filter(pk=two.pk).update(
            state="running", started_at=two.planned.lower + 100 * MINUTE,
            anchor_at=one.planned.lower, rule_earliest=two.gap_earliest, rule_latest=two.gap_latest,
        )  # fmt: skip
        (misfit,) = misfits(study)
        assert misfit.visit.pk == three.pk
        assert "too early; 20 h to 28 h is allowed" in misfit.why[0]


class TestUndo:
    def move(self, series: Series, booker: Actor) -> SeriesChange:
        row = visit(series, 2)
        options = move_options(visit=row, followers=False, wishes=WEEK, now=clock.now()).options
        option = next(o for o in options if o.visits[0].start != row.planned.lower)
        visit_move(visit=row, option=option, reason="Exam", actor=booker)
        return series.changes.get()

    def test_a_move(self, booked: Series, booker: Actor) -> None:
        before, starts = active(booked), [v.planned for v in booked.visits.order_by("number")]
        change_undo(change=self.move(booked, booker), actor=booker)
        assert active(booked) == before
        assert [v.planned for v in booked.visits.order_by("number")] == starts
        with pytest.raises(Conflict):
            change_undo(change=booked.changes.get(), actor=booker)

    def test_a_cancellation_by_the_page(
        self, desk: Client, booked: Series, booker: Actor, volunteer: Participant
    ) -> None:
        before = active(booked)
        series_cancel(series=booked, reason="Wrong person", actor=booker)
        change = booked.changes.get()
        assert "Take it back" in page(desk, series_url(volunteer))
        assert desk.post(reverse("series_undo", args=["slide-story", change.uid])).status_code == 302  # fmt: skip
        assert states(booked) == ["booked"] * 3
        assert active(booked) == before
        assert "Take it back" not in page(desk, series_url(volunteer))

    def test_not_when_something_else_happened(self, booked: Series, booker: Actor) -> None:
        change = self.move(booked, booker)
        began(booked, 1, timedelta(0))
        with pytest.raises(Conflict, match="nothing else happened"):
            change_undo(change=change, actor=booker)

    def test_not_after_a_quarter_of_an_hour(self, booked: Series, booker: Actor) -> None:
        change = self.move(booked, booker)
        with (
            clock.travel(clock.now() + 16 * MINUTE),
            pytest.raises(Conflict, match="within 15 minutes"),
        ):
            change_undo(change=change, actor=booker)

    def test_not_when_a_place_is_taken(
        self, booked: Series, booker: Actor, study: Any, clinician: Any
    ) -> None:
        starts = [v.planned.lower for v in booked.visits.order_by("number")]
        series_cancel(series=booked, reason="Ill", actor=booker)
        other = the_lab.ready_volunteer(study, clinician, 2)
        option = next(
            o for o in the_lab.find(other, WEEK, 60) if [v.start for v in o.visits] == starts
        )
        series_book(participant=other, option=option, actor=booker)
        with pytest.raises(Conflict):
            change_undo(change=booked.changes.get(), actor=booker)
        assert states(booked) == ["cancelled"] * 3
        assert active(booked) == []

    def test_an_experimenter_takes_back_only_what_is_theirs(
        self, booked: Series, booker: Actor, experimenter: Any, actor_of: Any
    ) -> None:
        change = self.move(booked, booker)
        with pytest.raises(NotAllowed):
            change_undo(change=change, actor=actor_of(experimenter))
