"""A restored site: nothing is sent twice, no number and no dose goes on as if nothing were missing, everybody is told."""

import html
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from scheduling.selectors.gate_safety import safety_fact
from scheduling.selectors.today import contacts_due
from studylab import clock
from studylab.access import Role
from studylab.allocation.services import entry_issue
from studylab.audit.models import Event
from studylab.backups.after import settle_after
from studylab.backups.gaps import ABOUT
from studylab.backups.loading import load
from studylab.backups.making import Backup, make
from studylab.backups.models import MadeGood, Restoration
from studylab.backups.services.made_good import entered_again, numbers_compared
from studylab.errors import NotAllowed, Refused
from studylab.operation.rules.status import State as Stands
from studylab.operation.status import status_lines
from studylab.outbox.gaps import MAY_BE_OUT
from studylab.outbox.kinds import Planned
from studylab.outbox.models import Message
from studylab.outbox.rules.states import State
from studylab.outbox.services.queue import queue_rows
from studylab.outbox.services.sending import claim_due, release_lapsed
from studylab.participants.models import DosingPause
from studylab.participants.services.deviations import deviation_record
from studylab.people.models import SignIn
from studylab.people.selectors import actor_for
from studylab.studies.selectors import current_protocol
from tests.access.world import World
from tests.outbox.conftest import _kinds  # noqa: F401  (fixture)

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)


def message(world: World, name: str, due_at: datetime, **more: Any) -> Planned:
    given = {"kind": "tried", "participant": world.participants[0], **more}
    return Planned(
        study=world.study, about=name, due_at=due_at, useful_until=due_at + timedelta(days=3), key=f"tried:{name}", **given
    )  # fmt: skip


def stands(name: str) -> str:
    return str(Message.objects.get(key=f"tried:{name}").state)


@pytest.fixture
def crash(middle: World, place: Path, settings: Any) -> World:
    """Backed up, used for three hours, lost, and restored from the backup."""
    settings.SMTP_HOST, settings.MAIL_FROM = "127.0.0.1", "lab@mail.example"
    Message.objects.filter(state__in=["waiting", "claimed"]).update(state="dropped", note="x", claim=None, claimed_until=None)  # fmt: skip
    # Of a day before, while nobody's quiet hours are near: a test at night is as good as one by day.
    begin = (clock.now() - timedelta(days=1)).replace(hour=12)
    with clock.travel(begin):
        backup = _used(middle, begin)
    with clock.travel(begin + 3 * HOUR):
        Message.objects.filter(key="tried:soon").update(
            state="claimed", claim=uuid4(), claimed_until=begin
        )
        load(backup.path)
        settle_after(backup)
    return middle


def _used(middle: World, begin: datetime) -> Backup:
    """Queue messages, sign in, and back that up."""
    lead = middle.people[Role.LEAD]
    queue_rows([
        message(middle, "soon", begin + HOUR), message(middle, "tomorrow", begin + 24 * HOUR),
        message(middle, "staff", begin, kind="tried_staff", participant=None, user=lead),
        message(middle, "claimed", begin - HOUR),
    ])  # fmt: skip
    Message.objects.filter(key="tried:claimed").update(
        state="claimed", claim=uuid4(), claimed_until=begin + HOUR
    )
    SignIn.objects.create(user=lead, began_at=begin, seen_at=begin, active_at=begin)
    return make().backup


def row() -> MadeGood:
    return MadeGood.objects.get()


def test_what_was_due_since_the_backup_is_never_sent_by_itself(crash: World) -> None:
    gap = Restoration.objects.get()
    assert [stands(one) for one in ("soon", "tomorrow", "staff", "claimed")] == ["waiting", "waiting", "dropped", "waiting"]  # fmt: skip
    at = gap.restored_at + HOUR
    with clock.travel(at):
        # A planner names again what was sent after the backup; staff enter a booking again.
        queue_rows([message(crash, "lost", gap.snapshot_at + HOUR), message(crash, "again", at)])
        queue_rows(
            [
                message(
                    crash,
                    "staff news",
                    at,
                    kind="tried_staff",
                    participant=None,
                    user=crash.people[Role.LEAD],
                )
            ]
        )
        release_lapsed(at)
        numbers = claim_due(at + timedelta(minutes=1))
        assert [one.key for one in Message.objects.filter(pk__in=numbers)] == ["tried:staff news"]
        actor = actor_for(crash.people[Role.COORDINATOR], crash.study)
        numbers_compared(row=row(), note="As here.", actor=actor)
        assert entered_again(row=row(), note="The booking of HT-00021T.", actor=actor) == 4
        assert {stands(one) for one in ("soon", "claimed", "lost", "again")} == {State.QUESTION}
        assert stands("tomorrow") == State.WAITING
    with clock.travel(at + HOUR):
        queue_rows(
            [message(crash, "late", gap.snapshot_at + HOUR), message(crash, "new", at + HOUR)]
        )
        assert (stands("late"), Message.objects.get(key="tried:late").note) == (
            State.QUESTION,
            MAY_BE_OUT,
        )
        found = Message.objects.filter(pk__in=claim_due(at + 2 * HOUR)).values_list(
            "key", flat=True
        )
        assert set(found) == {"tried:new"}
    found = Message.objects.filter(pk__in=claim_due(at + 30 * HOUR))
    assert found.filter(key="tried:tomorrow").exists()


def test_no_number_is_issued_before_paper_was_looked_at(crash: World) -> None:
    actor = actor_for(crash.people[Role.COORDINATOR], crash.study)
    person = crash.participants[-1]
    with pytest.raises(Refused, match="a number may have been given to somebody else since"):
        entry_issue(participant=person, stratum_values={}, actor=actor)
    with pytest.raises(Refused, match="Compare the allocation numbers with paper first"):
        entered_again(row=row(), note="All.", actor=actor)
    with pytest.raises(NotAllowed):
        numbers_compared(
            row=row(), note="x", actor=actor_for(crash.people[Role.MONITOR], crash.study)
        )
    numbers_compared(row=row(), note="As here.", actor=actor)
    told_of = Event.objects.filter(action__startswith="site.restored").order_by("pk")
    assert list(told_of.values_list("action", flat=True)) == [
        "site.restored",
        "site.restored_numbers",
    ]
    with pytest.raises(Refused) as told:
        entry_issue(participant=person, stratum_values={}, actor=actor)
    assert "restored" not in told.value.message, "refused for other reasons, or not at all"


def test_dosing_pauses_until_two_have_signed_and_every_sign_in_has_ended(crash: World) -> None:
    pause = DosingPause.objects.get(lifted_at=None, rule="restored from a backup")
    plan = current_protocol(crash.study).plan
    fact = safety_fact(crash.participants[0], plan, clock.now())
    assert any(one.startswith("Dosing is paused: the site was restored") for one in fact.pauses)
    assert (pause.physician, pause.lead) == (None, None)
    assert not SignIn.objects.filter(ended_at=None).exists()


def test_every_role_is_told_and_who_may_do_it_goes_through_both_steps(
    crash: World, client_of: Any
) -> None:
    slug = crash.study.slug
    page, home = reverse("restored", args=[slug]), reverse("home", args=[slug])
    for role in Role:
        client = client_of(crash.people[role])
        assert (
            "The site was restored from a backup"
            in client.get(reverse("home", args=[slug])).content.decode()
        )
        text = client.get(page).content.decode()
        assert "Nothing is known from" in text
        assert ("Compare allocation numbers" in text) == (role in (Role.COORDINATOR, Role.LEAD))
        assert ("What this record says of that time" in text) == (role != Role.PHARMACIST)
    for role in (Role.PHARMACIST, Role.LEAD):
        client = client_of(crash.people[role])
        assert "The site was restored from a backup" in client.get(home).content.decode()
    numbers, done = (
        reverse(name, args=[slug, row().uid]) for name in ("restored_numbers", "restored_done")
    )
    assert client.post(numbers, {"note": " "}).status_code == 422
    answer = client.post(done, {"note": "typed already"})
    assert (answer.status_code, b"typed already" in answer.content) == (422, True)
    assert client.post(numbers, {"note": "As here."}).status_code == 302
    assert client.post(numbers, {"note": "Again."}).status_code == 409
    assert client.post(done, {"note": "Nothing had happened."}).status_code == 302
    text = client.get(page).content.decode()
    assert "Everything that was lost is entered again." in text
    assert "Nothing had happened." in text
    assert "The site was restored from a backup" not in client.get(home).content.decode()


def test_the_page_says_what_was_due_and_asks_for_the_deviation_until_it_is_there(
    crash: World, client_of: Any
) -> None:
    slug, at = crash.study.slug, row().restoration.restored_at + HOUR
    with clock.travel(at):
        page, done = (
            reverse("restored", args=[slug]),
            reverse("restored_done", args=[slug, row().uid]),
        )
        client = client_of(crash.people[Role.COORDINATOR])
        text = client.get(page).content.decode()
        dosed = [one.code for one in contacts_due(crash.study, at) if one.due_from < at]
        assert dosed
        assert all(
            code in text.partition("Contacts after a dose")[2].partition("</p>")[0]
            for code in dosed
        )
        assert "messages to volunteers were due" in text or "message to volunteers was due" in text
        assert "None is on record yet." in client.get(done).content.decode()
        (link,) = re.findall(r'href="([^"]+)">Record the deviation</a>', text)
        form = client.get(html.unescape(link)).context["form"]
        assert {form.initial["kind"], form.initial["subject"]} == {"other", ABOUT}
        deviation_record(
            study=crash.study, kind="other", what="Three hours were lost.", subject=ABOUT, occurred_at=at,
            actor=actor_for(crash.people[Role.COORDINATOR], crash.study),
        )  # fmt: skip
        for address in (page, done):
            text = client.get(address).content.decode()
            assert "the deviation recorded" in text
            assert "None is on record yet." not in text


def test_the_status_says_from_when_and_whether_it_is_made_good(crash: World) -> None:
    line = next(one for one in status_lines(clock.now()) if one.key == "restored")
    assert (line.state, "1 study has not entered again" in line.text) == (Stands.LOOK, True)
