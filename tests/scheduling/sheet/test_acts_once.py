"""Acts that tablets kept without network: taken once, at the right time, refused with what the server has."""

from datetime import timedelta
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

import pytest
from django.conf import settings
from django.test import Client
from django.urls import reverse

from scheduling.models import StepRecord
from studylab.participants.models import Deviation
from tests.allocation.raw_sql import refused_by_database
from tests.people.tablets import enrol
from tests.scheduling.sheet.builder import MINUTE, Case
from tests.scheduling.sheet.test_threads import at_once
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db, pytest.mark.database]


class Tablet:
    """A tablet whose clock is ahead by `wrong`; it sends what somebody enters, now or later."""

    def __init__(self, case: Case, role: str = "experimenter", wrong: timedelta = 7 * MINUTE):
        self.case, self.wrong, self.user = case, wrong, case.users[role]
        self.client = Client()
        self.client.force_login(self.user)

    def act(self, **fields: Any) -> dict[str, Any]:
        """Note an act now, by the tablet's clock."""
        return {
            "act": "record", "client_id": str(uuid4()), "person": self.user.pk,
            "device_at": (self.case.t + self.wrong).isoformat(),
            "compared_ms": round(-self.wrong.total_seconds() * 1000), **fields,
        }  # fmt: skip

    def send(self, step: str, act: dict[str, Any], number: int = 1) -> tuple[int, dict[str, Any]]:
        visit = self.case.visit(number)
        url = reverse("step_act", args=[self.case.study.slug, visit.uid, step])
        with self.case.now():
            sent = {"sent_at": (self.case.t + self.wrong).isoformat(), **act}
            answer = self.client.post(url, {k: v for k, v in sent.items() if v is not None})
        return answer.status_code, answer.json()


def test_kept_acts_arrive_in_order_with_the_times_at_which_they_were_done(first: Case) -> None:
    tablet, began = Tablet(first), first.t
    seen = tablet.act(**SEEN)
    first.forward(3)
    welcome = tablet.act(done="True")
    first.forward(12)
    for step, act in (("identity", seen), ("welcome", welcome)):
        status, answer = tablet.send(step, act)
        assert (status, answer["recorded"]["uncertain"]) == (200, False)
    rows = list(StepRecord.objects.order_by("id"))
    assert [row.occurred_at for row in rows] == [began, began + 3 * MINUTE]
    assert {row.recorded_at for row in rows} == {first.t}
    assert [row.device_at for row in rows] == [began + 7 * MINUTE, began + 10 * MINUTE]
    assert {(row.sent_at, row.device_offset) for row in rows} == {
        (first.t + 7 * MINUTE, -7 * MINUTE)
    }
    assert not Deviation.objects.exists()


def test_sent_again_it_is_answered_as_the_first_time(first: Case) -> None:
    tablet = Tablet(first)
    act = tablet.act(**SEEN)
    once = tablet.send("identity", act)
    first.forward(9)
    assert tablet.send("identity", act) == once
    assert StepRecord.objects.count() == 1
    # ... and so by the form on the page itself, which is the same act.
    assert first.step(1, "identity", SEEN, client_id=act["client_id"]).pk


@pytest.mark.parametrize(
    ("changed", "code", "said"),
    [
        ({"document": "identity card"}, "another_act", "something else in it"),
        ({"person": 0}, "", ""),
        ({"device_at": "yesterday"}, "", "The form is damaged"),
        ({"device_at": "9999-12-31T23:59:59+00:00"}, "", "The form is damaged"),
        ({"compared_ms": "soon"}, "", "whole number"),
        ({"client_id": "1"}, "", "The form is damaged"),
        ({"act": "burn"}, "", "burn"),
    ],
)
def test_what_is_another_act_or_none_is_refused(
    first: Case, changed: dict[str, Any], code: str, said: str
) -> None:
    tablet = Tablet(first)
    act = tablet.act(**SEEN)
    assert tablet.send("identity", act)[0] == 200
    status, answer = tablet.send("identity", act | changed)
    assert status == (409 if code else 422)
    assert answer["code"] == code
    assert said in answer["said"]
    assert answer["on_record"]["words"] == "name and birth date, passport"
    assert StepRecord.objects.count() == 1


def test_an_act_is_never_written_down_to_whoever_signed_in_later(first: Case) -> None:
    mine = Tablet(first).act(**SEEN)
    other = Tablet(first, "second")
    status, answer = other.send("identity", mine)
    assert (status, answer["code"]) == (409, "other_person")
    assert other.send("identity", mine | {"person": other.user.pk})[0] == 200
    status, answer = Tablet(first).send("identity", mine)  # nor is theirs taken for mine
    assert (status, answer["code"]) == (409, "another_act")


def test_two_tablets_one_step_both_entries_are_shown_and_a_person_decides(first: Case) -> None:
    one, two = Tablet(first), Tablet(first, "second", wrong=-2 * MINUTE)
    assert one.send("identity", one.act(**SEEN))[0] == 200
    mine = two.act(identifiers=["name", "address"], document="identity card")
    first.forward(2)
    status, answer = two.send("identity", mine)
    assert status == 409
    assert answer["on_record"]["by"] == one.user.name
    assert StepRecord.objects.get().value["document"] == "passport"
    fix = mine | {"act": "correct", "client_id": str(uuid4())}
    assert two.send("identity", fix)[0] == 422  # no reason
    fix["reason"] = "I saw the document, the passport was another volunteer's."
    assert [two.send("identity", fix)[0] for _ in range(2)] == [200, 200]
    old, new = StepRecord.objects.order_by("id")
    assert (new.supersedes, new.value["document"]) == (old, "identity card")
    assert new.occurred_at == first.t - 2 * MINUTE


def test_leaving_out_is_an_act_too(first: Case) -> None:
    tablet = Tablet(first)
    assert tablet.send("identity", tablet.act(**SEEN))[0] == 200
    act = tablet.act(act="skip", reason="Phone was left at home.")
    for _ in range(2):
        assert tablet.send("welcome", act)[0] == 200
    assert StepRecord.objects.filter(step="welcome", skipped=True).count() == 1
    assert Deviation.objects.count() == 1
    assert tablet.send("identity", tablet.act(act="skip", reason="No."))[0] == 422


def test_a_time_nobody_can_vouch_for_is_said_to_be_uncertain(first: Case) -> None:
    tablet = Tablet(first, wrong=-90 * MINUTE)
    status, answer = tablet.send("identity", tablet.act(**SEEN, compared_ms=None))
    assert (status, answer["recorded"]["uncertain"]) == (200, True)
    page = tablet.client.get(reverse("visit", args=[first.study.slug, first.visit(1).uid]))
    assert "time uncertain" in page.content.decode()


def test_a_timer_runs_from_when_it_was_started_on_the_tablet(first: Case) -> None:
    tablet = Tablet(first)
    first.fill(1, until="quiet_break")
    started, act = first.t, tablet.act()
    first.forward(4)
    assert tablet.send("quiet_break", act)[0] == 200
    row = StepRecord.objects.get(step="quiet_break")
    assert row.value["started_at"] == started.isoformat()


def test_what_the_server_must_judge_is_not_taken_from_a_tablet(ready: Case) -> None:
    tablet = Tablet(ready)
    for step in ("dose", "post_dose", "leave", "today"):
        assert tablet.send(step, tablet.act(done="True"), number=2)[0] == 422


def test_a_tablet_is_given_a_sheet_without_names_and_values(dosed: Case) -> None:
    tablet = Tablet(dosed)
    url = reverse("sheet_keep", args=[dosed.study.slug, dosed.visit(2).uid])
    with dosed.now():
        assert tablet.client.get(url).json()["sheet"] is None  # anybody's browser keeps nothing
        _, named = enrol(dosed.study, dosed.users["lead"])
        tablet.client.cookies[settings.DEVICE_COOKIE_NAME] = named.cookies[
            settings.DEVICE_COOKIE_NAME
        ].value
        tablet.client.force_login(tablet.user)
        answer = tablet.client.get(url)
        other = Tablet(dosed, "second").client.get(url).json()
    text = answer.content.decode()
    assert answer.json()["sheet"]["wait"]["dose"] == dosed.t.isoformat()
    assert not [user.name for user in dosed.users.values() if user.name in text]
    # What was recorded stays on the server; only that it was is told.
    told = {key for step in answer.json()["sheet"]["steps"] for key in step}
    assert not told & {"value", "words", "by", "at", "record"}
    assert other["key"] != answer.json()["key"]  # nobody opens what another person entered


def test_sql_refuses_a_second_act_of_one_id_and_half_told_times(first: Case) -> None:
    record = first.step(1, "identity", SEEN)
    insert = """INSERT INTO scheduling_steprecord (visit_id, participant_id, step, value, skipped,
        occurred_at, recorded_at, client_id, reason, sent_at)
        VALUES (%s, %s, 'welcome', '{}', false, %s, %s, %s, '', %s)"""
    mine = [record.visit_id, record.participant_id, first.t, first.t]
    refused_by_database(
        insert, *mine, record.client_id, None, says="scheduling_steprecord_client_id_key"
    )
    refused_by_database(insert, *mine, uuid4(), first.t, says="step_tablet_times_whole")


@pytest.mark.slow
@pytest.mark.django_db(transaction=True)
def test_one_act_sent_twenty_times_at_once_is_one_record() -> None:
    case = Case()
    case.prepare_study()
    case.screen()
    case.book()
    case.start(1)
    client_id, made = uuid4(), set()

    def send() -> None:
        made.add(case.step(1, "identity", SEEN, client_id=client_id).pk)

    assert at_once(case, [send] * 20) == ["done"] * 20
    assert len(made) == StepRecord.objects.count() == 1


def test_a_step_tells_from_which_tablet_it_came(first: Case) -> None:
    """By the page or by what the tablet kept; a browser that nobody named leaves it empty."""
    tablet, named = Tablet(first), Tablet(first)
    with first.now():
        _, named.client = enrol(first.study, first.users["lead"])
        named.client.force_login(named.user)
    assert tablet.send("identity", tablet.act(**SEEN))[0] == 200
    first.forward(1)
    assert named.send("welcome", named.act(done="True"))[0] == 200
    assert [row.device for row in StepRecord.objects.order_by("id")] == ["", "Tablet room 2"]
    with first.now():
        page = named.client.get(reverse("visit", args=[first.study.slug, first.visit(1).uid]))
    assert page.content.decode().count("on Tablet room 2</p>") == 1


def test_one_step_costs_little_network(first: Case) -> None:
    """What a tablet sends and gets for one ordinary step, headers of our own and the session's cookies included.

    Less than 5 kB is the house's aim for a weak network; pages and files that are cached are not counted.
    """
    tablet = Tablet(first)
    with first.now():
        _, tablet.client = enrol(first.study, first.users["lead"])
        tablet.client.force_login(tablet.user)
        hello = tablet.client.get(reverse("tablet_hello", args=[first.study.slug]))
        act = tablet.act(**SEEN) | {"sent_at": first.t.isoformat()}
        url = reverse("step_act", args=[first.study.slug, first.visit(1).uid, "identity"])
        answer = tablet.client.post(url, act)
    assert (hello.status_code, answer.status_code) == (200, 200)
    cookies = len(tablet.client.cookies.output(header="", sep=";"))
    sent = 2 * cookies + len(url) + len(urlencode(act, doseq=True))
    got = sum(
        len(one.content) + sum(len(name) + len(value) + 4 for name, value in one.headers.items())
        for one in (hello, answer)
    )
    assert 500 < sent + got < 5000, (sent, got)
