"""What rings and when: from the recorded dose, for everybody who waits, without names on a locked tablet."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from scheduling.rules.bells import Bell, interim_bells
from scheduling.selectors.bells import bells_of
from scheduling.services.dose_times import dose_correct
from studylab.access import Role
from studylab.people.services.devices import device_enrol, device_revoke
from studylab.reports.selectors.devices import held_by
from studylab.studies.rules.protocol import Step
from tests import cast
from tests.scheduling.sheet.builder import MINUTE, Case

NOON = datetime(2026, 3, 29, 0, 50, tzinfo=UTC)  # ten minutes before the clocks change in Europe


class TestRules:
    def test_a_check_is_due_so_long_after_the_dose_whatever_the_clocks_do(self) -> None:
        steps = [
            Step("pulse_30", "number", "Pulse", unit="per minute", after_dose_minutes=30),
            Step("pulse_60", "number", "Pulse", unit="per minute", after_dose_minutes=60),
            Step("note", "text", "Note"),
        ]
        (bell,) = interim_bells(steps, {"pulse_60"}, NOON)
        assert bell.target - NOON == timedelta(minutes=30)
        assert (bell.earliest, bell.latest) == (NOON + 20 * MINUTE, NOON + 40 * MINUTE)
        assert bell.words == "pulse 30 min after the dose"

    @pytest.mark.parametrize(
        ("seconds", "state"), [(-1, "waiting"), (0, "due"), (900, "due"), (901, "late")]
    )
    def test_the_latest_is_still_on_time(self, seconds: int, state: str) -> None:
        bell = Bell("check", "check", NOON, NOON, NOON + 15 * MINUTE)
        assert bell.state(NOON + timedelta(seconds=seconds)) == state
        assert Bell("timer", "timer", NOON, NOON, None).state(NOON + timedelta(days=1)) == "due"


def times(case: Case) -> list[tuple[str, float]]:
    given = case.visit(2).doses.get(superseded_by=None).given_at
    return [
        (row.bell.key, (row.bell.target - given) / MINUTE) for row in bells_of(case.study, case.t)
    ]


@pytest.mark.django_db
@pytest.mark.database
class TestOfACase:
    def test_nothing_rings_before_the_dose(self, ready: Case) -> None:
        assert bells_of(ready.study, ready.t) == []

    def test_the_wait_and_every_interim_check_are_rows(self, dosed: Case) -> None:
        wanted = [
            ("pulse_30", 30),
            ("pulse_60", 60),
            ("check", 90),
            ("pulse_120", 120),
            ("pulse_180", 180),
        ]
        assert times(dosed) == wanted
        dosed.step(2, "settled", {"done": True})
        dosed.t = dosed.dose.given_at + 31 * MINUTE
        assert [row.state for row in bells_of(dosed.study, dosed.t)] == ["due", *["waiting"] * 4]
        dosed.step(2, "pulse_30", {"value": 66})
        assert times(dosed) == wanted[1:]

    def test_a_corrected_dose_moves_all_of_it(self, dosed: Case) -> None:
        before = {row.bell.key: row for row in bells_of(dosed.study, dosed.t)}
        earlier = dosed.dose.given_at - 4 * MINUTE
        dosed.act(dose_correct, dose=dosed.dose, given_at=earlier, reason="Misread the clock.")
        after = {row.bell.key: row for row in bells_of(dosed.study, dosed.t)}
        assert after.keys() == before.keys()
        for key, row in after.items():
            assert before[key].bell.target - row.bell.target == 4 * MINUTE, key
            assert row.uid != before[key].uid  # what was heard already rings anew

    def test_after_the_check_the_leave_check_rings(self, rested: Case) -> None:
        given = rested.dose.given_at
        (row,) = bells_of(rested.study, rested.t)
        assert (row.bell.key, row.bell.target) == ("leave", given + 240 * MINUTE)

    def test_the_locked_list_names_nobody(self, dosed: Case) -> None:
        code = dosed.participant.code
        browser = Client()
        with dosed.now():
            browser.force_login(dosed.users["experimenter"])
            named = browser.get(reverse("bells")).content.decode()
            locked = browser.get(reverse("bells_locked")).content.decode()
        assert named.count(f">{code}<") == 1
        assert code not in locked
        assert str(dosed.visit(2).uid) not in locked
        for text in (named, locked):
            assert text.count('data-ring="target"') == text.count('data-ring="latest"') == 5
            assert "pulse 30 min after the dose" in text

    def test_others_see_nothing_of_it(self, dosed: Case, outsider: Any) -> None:
        browser = Client()
        with dosed.now():
            browser.force_login(outsider)
            assert "data-bell" not in browser.get(reverse("bells")).content.decode()


@pytest.mark.django_db
@pytest.mark.database
def test_what_was_on_a_lost_tablet(first: Case) -> None:
    """F-59: a run sheet and a contact page opened before the loss, one page after it."""
    case, lead = first, cast.make_user("Lia Chief")
    cast.join(lead, case.study, Role.LEAD)
    chief = cast.actor_of(lead, case.study)
    visit, code = case.visit(1), case.participant.code
    browser = Client()
    slug = case.study.slug
    with case.now():
        made = device_enrol(
            study=case.study, name="Tablet room 2", lock_minutes=5, sign_in=None, actor=chief
        )
        browser.cookies[settings.DEVICE_COOKIE_NAME] = made.cookie
        browser.force_login(case.users["experimenter"])
        assert browser.get(reverse("visit", args=[slug, visit.uid])).status_code == 200
        assert browser.get(reverse("volunteer_contact", args=[slug, code])).status_code == 200
        opened = case.t
    case.forward(3)
    lost = case.t
    case.forward(1)
    with case.now():
        assert browser.get(reverse("visit", args=[slug, visit.uid])).status_code == 200
        device_revoke(device=made.device, reason="Stolen.", lost_at=lost, actor=chief)
        made.device.refresh_from_db()
        held = held_by(made.device, case.study)
        office = Client()
        office.force_login(lead)
        page = office.get(reverse("device_held", args=[slug, made.device.uid])).content.decode()
    (row,) = held.rows
    assert (held.at, row.code, row.first_at) == (lost, code, opened)
    assert (row.open_then, row.after, row.named) == (True, True, True)
    assert "run sheet: steps and values, vital signs, times, holds" in row.fields
    for words in (code, "opened afterwards", "name shown", "Stolen."):
        assert words in page
