"""How a volunteer is reached, and mails that came back: recorded once, marked, looked after."""

import io
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.compose import NotSendable, compose, mail_key
from studylab.outbox.models import Message, Reach, Undelivered
from studylab.outbox.rules.return_path import return_path
from studylab.outbox.selectors.reach import zone_of
from studylab.outbox.selectors.undelivered import bad_address, to_look_after
from studylab.outbox.services.queue import message_queue
from studylab.outbox.services.reach import reach_write
from studylab.outbox.services.undelivered import report_take, undelivered_settle
from studylab.participants.models import Participant
from studylab.participants.services import contact_change
from tests.outbox.conftest import ACTOR
from tests.outbox.test_delivery import FAILED, report
from tests.participants import people

FULL = FAILED.replace("5.1.1", "5.2.2")
LATE = FAILED.replace("Action: failed", "Action: delayed").replace("5.1.1", "4.4.1")


@pytest.fixture
def message(ana: Participant, noon: datetime, settings: Any) -> Message:
    settings.MAIL_FROM = "studies@lab.example"
    made = message_queue(
        kind="tried", study=ana.study, participant=ana, about="thing:1", due_at=noon,
        useful_until=noon + timedelta(days=1), key="tried:1", language="en", actor=ACTOR,
    )  # fmt: skip
    assert made is not None
    return made


def came_back(message: Message, *blocks: str) -> bytes:
    return report(return_path("bounces@lab.example", message.pk, mail_key()), *blocks)


def test_a_report_counts_once_and_marks_the_address(message: Message, ana: Participant) -> None:
    assert report_take(came_back(message, FAILED)) == "taken"
    assert report_take(came_back(message, FAILED)) == "nothing new"
    found = Undelivered.objects.get()
    assert (found.status, found.failed, found.bad_address) == ("5.1.1", True, True)
    assert bad_address(ana) == found
    assert [row.message.participant for row in to_look_after(ana.study)] == [ana]
    with pytest.raises(NotSendable, match="come back"):
        compose(message)


def test_a_report_counts_after_a_change_of_the_sites_key(message: Message, settings: Any) -> None:
    back = came_back(message, FAILED)
    settings.SECRET_KEY_FALLBACKS, settings.SECRET_KEY = [settings.SECRET_KEY], "x" * 60
    assert report_take(back) == "taken"
    settings.SECRET_KEY_FALLBACKS = []
    assert report_take(back) == "not ours"


def test_nothing_of_the_mail_is_kept(message: Message) -> None:
    report_take(came_back(message, FAILED))
    kept = repr(list(Undelivered.objects.values())) + repr(list(Event.objects.values("data", "subject_code")))  # fmt: skip
    assert "ana@mail.example" not in kept
    assert "Hello" not in kept


@pytest.mark.parametrize(("blocks", "work"), [((FULL,), 1), ((LATE,), 0)])
def test_a_full_mailbox_is_work_and_a_delay_is_none(
    message: Message,
    ana: Participant,
    blocks: tuple[str, ...],
    work: int,
) -> None:
    assert report_take(came_back(message, *blocks)) == "taken"
    assert bad_address(ana) is None
    assert len(to_look_after(ana.study)) == work


def test_what_is_no_report_of_ours_changes_nothing(message: Message) -> None:
    forged = report(return_path("bounces@lab.example", message.pk, b"another key"), FAILED)
    assert report_take(forged) == "not ours"
    assert report_take(b"Subject: Away\r\n\r\nI am away.") == "no report"
    assert not Undelivered.objects.exists()


def test_changed_contact_details_end_the_mark_and_the_work(
    message: Message,
    ana: Participant,
    keeper: Actor,
    noon: datetime,
) -> None:
    report_take(came_back(message, FAILED))
    with clock.travel(noon + timedelta(minutes=5)):
        contact_change(
            participant=ana,
            details=people.like(people.ANA, email="new@mail.example"),
            actor=keeper,
        )
    assert bad_address(ana) is None
    assert to_look_after(ana.study) == []


def test_somebody_looks_after_it_and_the_mark_stays_until_the_address_is_right(
    message: Message,
    ana: Participant,
    keeper: Actor,
) -> None:
    report_take(came_back(message, FAILED, FULL))
    assert undelivered_settle(participant=ana, how="reached", actor=keeper) == 2
    assert to_look_after(ana.study) == []
    assert bad_address(ana) is not None
    undelivered_settle(participant=ana, how="address_right", actor=keeper)
    assert bad_address(ana) is None
    with pytest.raises(Conflict):
        undelivered_settle(participant=ana, how="reached", actor=keeper)


def test_a_folder_of_mails_is_read_once(message: Message, tmp_path: Path) -> None:
    for part in ("new", "cur", "tmp"):
        (tmp_path / part).mkdir()
    (tmp_path / "new" / "1.host").write_bytes(came_back(message, FAILED))
    (tmp_path / "new" / "2.host").write_bytes(b"Subject: Away\r\n\r\nAway.")
    (tmp_path / "cur" / "3.host:2,S").write_bytes(came_back(message, FULL))  # seen by somebody
    out = io.StringIO()
    call_command("read_bounces", maildir=tmp_path, stdout=out)
    assert out.getvalue().strip() == "1 no report, 1 taken"
    assert not list((tmp_path / "new").iterdir())
    again = io.StringIO()
    call_command("read_bounces", maildir=tmp_path, stdout=again)
    assert again.getvalue().strip() == "no mails"
    call_command("read_bounces", maildir=tmp_path, delete=True, stdout=io.StringIO())
    assert not list((tmp_path / "cur").iterdir())
    with pytest.raises(CommandError, match="needs new, cur and tmp"):
        call_command("read_bounces", maildir=tmp_path / "new")


def test_a_mail_comes_by_standard_input(message: Message, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(came_back(message, FAILED))))
    call_command("read_bounces", stdout=io.StringIO())
    assert Undelivered.objects.count() == 1


def say(participant: Participant, actor: Actor, **given: Any) -> Reach:
    said = {
        "channel": "mail",
        "short_agreed": False,
        "zone": "",
        "said_at": clock.now(),
        "seen": 0,
        **given,
    }
    return reach_write(participant=participant, actor=actor, **said)


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"channel": "short"}, "short_agreed"),
        (
            {"channel": "short", "short_agreed": True},
            "channel",
        ),  # Ana's number has no country's code
        ({"channel": "pigeon"}, "channel"),
        ({"zone": "Moon/Crater"}, "zone"),
    ],
)
def test_what_cannot_be_recorded_is_refused_at_its_field(
    ana: Participant,
    keeper: Actor,
    given: dict[str, Any],
    field: str,
) -> None:
    contact_change(
        participant=ana, details=people.like(people.ANA, phone="902 555 0110"), actor=keeper
    )
    with pytest.raises(Refused) as refused:
        say(ana, keeper, **given)
    assert refused.value.field == field


def test_quiet_hours_go_by_the_clock_where_the_volunteer_lives(
    ana: Participant, keeper: Actor
) -> None:
    assert zone_of(ana) == ana.study.zone
    first = say(ana, keeper, zone="Asia/Tokyo")
    assert zone_of(ana).key == "Asia/Tokyo"
    with pytest.raises(Conflict):
        say(ana, keeper)
    say(ana, keeper, zone=ana.study.timezone, seen=first.pk)
    assert Reach.objects.order_by("-id")[0].zone == ""


def test_no_short_message_without_agreement_whoever_writes(
    ana: Participant, noon: datetime
) -> None:
    with pytest.raises(IntegrityError), transaction.atomic():
        Reach.objects.create(participant=ana, channel="short", said_at=noon, recorded_at=noon)


@pytest.mark.parametrize("role", ["lead", "clinician", "monitor", "pharmacist"])
def test_only_who_may_change_contact_details(
    role: str, ana: Participant, actor_of: Any, request: Any
) -> None:
    with pytest.raises(NotAllowed):
        say(ana, actor_of(request.getfixturevalue(role)))


def test_the_pages(office: Client, message: Message, ana: Participant) -> None:
    here = reverse("volunteer_reach", args=[ana.study.slug, ana.code])
    shown = office.get(here).context["shown"]
    data = {"channel": "mail", "zone": "Asia/Tokio", "said_at": "2026-03-09T11:00", "shown": shown}
    wrong = office.post(here, data)
    assert wrong.status_code == 422
    assert "no such time zone" in wrong.content.decode()
    answer = office.post(here, {**data, "zone": "Asia/Tokyo"})
    assert answer.status_code == 302, answer.context["form"].errors
    assert office.post(here, {**data, "zone": ""}).status_code == 409  # the page is out of date
    report_take(came_back(message, FAILED))
    back = reverse("message_settle", args=[ana.study.slug, ana.code])
    page = office.get(back)
    assert "address itself is at fault" in page.content.decode()
    assert office.post(back, {"how": "reached", "shown": page.context["shown"]}).status_code == 302
    assert "5.1.1" in office.get(here).content.decode()


def test_the_volunteers_page_and_the_front_page_say_so_until_somebody_looked(
    office: Client, message: Message, ana: Participant, keeper: Actor, monitor: Any, client_of: Any
) -> None:
    person, front = (reverse(page, args=[ana.study.slug, *more]) for page, more in (("volunteer", [ana.code]), ("home", [])))  # fmt: skip
    assert "Mails that came back" not in office.get(person).content.decode()
    report_take(came_back(message, FAILED))
    assert "mails come back" in office.get(person).content.decode()
    assert "Ask for the right e-mail address." in office.get(front).content.decode()
    assert "Mails that came back" not in client_of(monitor).get(front).content.decode()
    undelivered_settle(participant=ana, how="address_right", actor=keeper)
    page = office.get(person).content.decode()
    assert "mails come back" not in page
    assert "checked with the volunteer" in page
    assert "Mails that came back" not in office.get(front).content.decode()
