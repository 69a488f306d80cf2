"""Field case F-55: the clock of a pressure device against the server's, and readings timed by it."""

from dataclasses import replace
from datetime import time, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from screening.models import Monitor, MonitorClock, VitalReading, VitalSet
from screening.selectors import newest_vitals, pre_dose_fact
from screening.selectors.monitors import comparison_for, monitor_lines
from screening.services.monitors import monitor_compare, monitor_retire
from studylab import clock
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from tests import cast
from tests.screening.record import checks, people
from tests.screening.record.test_vital_pages import HALIFAX, at, local, sent

pytestmark = [pytest.mark.django_db, pytest.mark.database]
MINUTE = timedelta(minutes=1)
BY_DEVICE = ("device",) * 3


@pytest.fixture
def fast(volunteer: Any, study: Any, edda: Any) -> MonitorClock:
    """BP-2, compared at ten o'clock and eight minutes fast."""
    return monitor_compare(study=study, name=" BP-2 ", shown=time(10, 8), actor=edda)


def shown_by(minutes: int) -> tuple[time, ...]:
    """Return what a device showed at the readings of `people.readings`, so many minutes ahead."""
    return tuple(
        (one.at + minutes * MINUTE).astimezone(HALIFAX).time().replace(microsecond=0)
        for one in people.readings()
        if one.at
    )


def test_f55_a_comparison_is_kept_with_the_device_and_on_the_trail(
    fast: MonitorClock, study: Any, edda: Any
) -> None:
    assert (fast.offset_seconds, fast.monitor.name, fast.at) == (480, "BP-2", people.NOW)
    again = monitor_compare(study=study, name="bp-2", shown=time(10, 8, 20), actor=edda)
    assert again.monitor == fast.monitor
    (line,) = monitor_lines(study, clock.now())
    assert (line.words, line.off, line.today) == ("8 min fast", True, True)
    (tomorrow,) = monitor_lines(study, clock.now() + timedelta(days=1))
    assert not tomorrow.today
    assert Event.objects.filter(action="monitor.compared").count() == 2
    with pytest.raises(Refused, match="serial number"):
        monitor_compare(study=study, name="  ", shown=time(10, 8), actor=edda)


def test_a_clock_that_was_set_between_two_comparisons_is_not_shown_as_compared(
    fast: MonitorClock, study: Any, edda: Any, client_of: Any, experimenter: Any
) -> None:
    monitor_compare(study=study, name="BP-2", shown=time(10), actor=edda)
    today = clock.now().astimezone(study.zone).date()
    assert comparison_for(study, "BP-2", today) is None
    (line,) = monitor_lines(study, clock.now())
    assert (line.today, line.reset) == (False, True)
    page = (
        client_of(experimenter).get(reverse("monitor_clocks", args=[study.slug])).content.decode()
    )
    assert "clock was set" in page


def test_a_slip_is_asked_about_before_it_costs_the_device_its_day(
    fast: MonitorClock, study: Any, client_of: Any, experimenter: Any
) -> None:
    """It is ten o'clock, BP-2 was compared at 10:08; BP-9 is new."""
    page, browser = reverse("monitor_clocks", args=[study.slug]), client_of(experimenter)
    for device, shown, words in (
        ("bp-2", "10:00", "now the clock would be right"), ("BP-9", "03:00", "would be 420 min slow"),
    ):  # fmt: skip
        asked = browser.post(page, {"name": device, "shown": shown})
        assert asked.status_code == 422
        assert words in asked.content.decode()
        assert 'type="checkbox" name="sure"' in asked.content.decode()
        assert MonitorClock.objects.filter(shown=shown).count() == 0
        sure = {"name": device, "shown": shown, "sure": "on"}
        assert browser.post(page, sure).status_code == 302
    assert 'type="checkbox" name="sure"' not in browser.get(page).content.decode()


def test_many_comparisons_since_hide_none_of_an_earlier_day(
    fast: MonitorClock, study: Any, edda: Any
) -> None:
    today = clock.now().astimezone(study.zone).date()
    with clock.travel(clock.now() + timedelta(days=1)):
        for _ in range(60):
            monitor_compare(study=study, name="BP-2", shown=time(10, 8), actor=edda)
    found = comparison_for(study, "BP-2", today)
    assert found is not None
    assert found.key == fast.pk


def test_a_device_out_of_use_counts_no_more(fast: MonitorClock, study: Any, edda: Any) -> None:
    today = clock.now().astimezone(study.zone).date()
    assert comparison_for(study, "bp-2", today)
    monitor_retire(monitor=fast.monitor, reason="Dropped.", actor=edda)
    assert comparison_for(study, "BP-2", today) is None
    assert monitor_lines(study, clock.now()) == []
    with pytest.raises(Conflict):
        monitor_retire(monitor=fast.monitor, reason="Again.", actor=edda)
    assert (
        monitor_compare(study=study, name="BP-2", shown=time(10), actor=edda).monitor
        != fast.monitor
    )


def test_f55_the_time_read_from_the_device_is_put_right_and_both_are_kept(
    fast: MonitorClock, volunteer: Any, edda: Any
) -> None:
    how = replace(checks.HOW, timed=BY_DEVICE, shown=shown_by(8))
    made = people.measure(volunteer, edda, how=how, device="BP-2")
    assert (made.clock, made.time_uncertain, made.verdict) == (fast, False, "pass")
    last = made.readings.last()
    assert last is not None
    assert (last.at, last.shown, last.timed) == (clock.now(), time(10, 8), "device")
    with pytest.raises(Refused, match="compared again meanwhile"):
        people.measure(volunteer, edda, how=replace(how, shown=shown_by(9)), device="BP-2")
    with pytest.raises(Refused, match="device’s clock showed"):
        people.measure(volunteer, edda, how=replace(how, shown=()), device="BP-2")


def test_f55_a_device_that_was_not_compared_today_can_open_no_gate(
    fast: MonitorClock, volunteer: Any, edda: Any
) -> None:
    """Neither a pass at screening nor a dose rests on such a set; values outside their limits count all the same."""
    how = replace(checks.HOW, timed=BY_DEVICE, shown=shown_by(8))
    other = people.measure(volunteer, edda, how=how, device="BP-3")
    assert (other.clock, other.time_uncertain, other.verdict, other.systolic) == (
        None,
        True,
        "",
        None,
    )
    assert [problem["code"] for problem in other.problems] == ["time_uncertain"]
    with clock.travel(people.NOW + timedelta(days=1)):
        stale = people.measure(volunteer, edda, how=replace(how, shown=shown_by(8)), device="BP-2")
        assert stale.time_uncertain
        high = people.readings(people.same(150))
        outside = people.measure(
            volunteer, edda, how=replace(how, shown=shown_by(8)), device="BP-2", readings=high
        )
        assert (outside.verdict, outside.time_uncertain) == ("physician", True)


def test_f55_the_dose_gate_does_not_know_when_an_uncertain_set_was_taken(
    fast: MonitorClock, volunteer: Any, edda: Any
) -> None:
    visit = people.book_visit(volunteer)
    how = replace(checks.HOW, timed=BY_DEVICE, shown=shown_by(8))
    people.measure(volunteer, edda, how=how, device="BP-9", gate="pre_dose", visit_uid=visit)
    fact = pre_dose_fact(volunteer, visit, clock.now())
    assert fact is not None
    assert fact.taken_at is None


def test_by_sql_no_clock_of_another_device_and_no_time_without_what_was_shown(
    fast: MonitorClock, volunteer: Any, edda: Any
) -> None:
    made = people.measure(volunteer, edda, device="BP-7")
    row = VitalSet.objects.filter(pk=made.pk).values().get()
    for gone in ("id", "uid"):
        row.pop(gone)
    with pytest.raises(IntegrityError, match="another device"), transaction.atomic():
        VitalSet.objects.create(**row | {"clock_id": fast.pk})
    with pytest.raises(IntegrityError, match="one_or_other"), transaction.atomic():
        VitalSet.objects.create(
            **row | {"clock_id": fast.pk, "device": "BP-2", "time_uncertain": True}
        )
    reading = {
        "set": made,
        "index": 4,
        "systolic": 110,
        "diastolic": 70,
        "pulse": 60,
        "at": clock.now(),
    }
    with pytest.raises(IntegrityError, match="reading_shown_by_device"), transaction.atomic():
        VitalReading.objects.create(**reading, timed="device")
    with pytest.raises(IntegrityError, match="reading_shown_by_device"), transaction.atomic():
        VitalReading.objects.create(**reading, timed="hand", shown=time(10))


def test_the_page_takes_the_times_of_a_printout(
    fast: MonitorClock, volunteer: Any, client_of: Any, experimenter: Any
) -> None:
    """The device is eight minutes fast, so what it shows has not come yet by the server's clock."""
    browser, page = client_of(experimenter), at("vitals_add", volunteer, "screening")
    began = local(clock.now() + 2 * MINUTE)[11:]
    with clock.travel(people.NOW + 10 * MINUTE):
        fields = sent(rest_began=began, clock="device")
        for number, one in enumerate(people.readings(), start=1):
            assert one.at is not None
            fields[f"reading_{number}.at"] = local(one.at + 8 * MINUTE)[11:]
        assert browser.post(page, fields | {"device": "BP-5", "clock": ""}).status_code == 422
        asked = browser.post(page, fields | {"entry": "device", "clock": ""}).content.decode()
        assert "Say whose clock" in asked
        assert browser.post(page, fields).status_code == 302
        made = newest_vitals(volunteer, "screening")
        assert made is not None
        assert (made.clock, made.rest_seconds, made.verdict) == (fast, 360, "pass")
        shown = browser.get(at("vitals", volunteer, made.uid)).content.decode()
        assert "the device showed 10:18:00" in shown
        corrected = browser.get(at("vitals_correct", volunteer, made.uid)).content.decode()
        assert 'value="10:18:00"' in corrected
        unknown = fields | {"device": "BP-5", "base": str(made.uid), "reason": "Another device."}
        assert browser.post(page, unknown).status_code == 302
        newest = newest_vitals(volunteer, "screening")
        assert newest is not None
        assert newest.time_uncertain
        assert "time uncertain" in browser.get(at("vitals", volunteer, newest.uid)).content.decode()


def test_the_page_of_clocks(
    volunteer: Any, study: Any, client_of: Any, experimenter: Any, coordinator: Any
) -> None:
    page = reverse("monitor_clocks", args=[study.slug])
    browser = client_of(experimenter)
    assert browser.post(page, {"name": "BP-2", "shown": "soon"}).status_code == 422
    answer = browser.post(page, {"name": "BP-2", "shown": "10:08"}, follow=True).content.decode()
    assert "BP-2: its clock is 8 min fast." in answer
    today = browser.get(reverse("today", args=[study.slug])).content.decode()
    assert "clock 8 min fast" in today
    out = reverse("monitor_retire", args=[study.slug, Monitor.objects.get().uid])
    assert browser.post(out, {"reason": ""}).status_code == 422
    assert browser.post(out, {"reason": "Lost."}).status_code == 302
    assert client_of(coordinator).get(page).status_code == 403
    with pytest.raises(NotAllowed):
        monitor_compare(
            study=study, name="BP-2", shown=time(10), actor=cast.actor_of(coordinator, study)
        )
