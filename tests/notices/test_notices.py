"""What needs somebody: counted, read, escalated once, told by mail without a word about anybody."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from studylab import clock
from studylab.access import Role, system_actor
from studylab.audit.models import Event
from studylab.notices.models import Escalation, Seen, Standing
from studylab.notices.selectors.needs import needs_of
from studylab.notices.services.reading import notices_read, wish_set
from studylab.notices.services.standing import notices_stand
from studylab.operation.models import StatusNote
from studylab.outbox.compose import compose
from studylab.outbox.kinds import kind_of
from studylab.outbox.models import Message
from studylab.participants.models import Hold
from studylab.participants.services import hold_open
from tests import cast
from tests.reports.conftest import client_for
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUSE = system_actor("test")


@pytest.fixture(autouse=True)
def _site_ticks(db: Any) -> None:
    """Background work is heard of; else that would need the lead first."""
    ever = datetime(2100, 1, 1, tzinfo=UTC)
    StatusNote.objects.create(key="beat", title="Beat", state="ok", since=ever, seen_at=ever)


def tick(study: Any, minutes: int = 0) -> None:
    with clock.travel(clock.now() + timedelta(minutes=minutes)):
        notices_stand(study=study, actor=HOUSE)


def hold(study: Any, number: int, by: Any) -> Any:
    who = the_lab.make_participant(study, number)
    hold_open(
        participant=who,
        kind=Hold.Kind.OTHER,
        reason="Looked at again.",
        actor=cast.actor_of(by, study),
    )
    return who


@pytest.fixture
def red(study: Any, confirmed: Any, lab: None, everybody: dict[Role, Any]) -> Any:
    """A hold that stands since now: red for the clinician and for nobody else."""
    hold(study, 1, everybody[Role.COORDINATOR])
    tick(study)
    return Standing.objects.get(study=study, shape="stop", gone_at=None)


def count(study: Any, user: Any, role: Role) -> tuple[int, int]:
    found = needs_of(study, user.pk, [role])
    return found.urgent, found.other


def test_a_red_thing_stands_for_its_role_until_it_is_read_and_again_when_it_changes(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = everybody[Role.CLINICIAN]
    assert (red.role, count(study, doctor, Role.CLINICIAN)[0]) == ("clinician", 1)
    client = client_for(doctor)
    listed = client.get(reverse("needs", args=[study.slug])).content.decode()
    assert red.url in listed
    assert "Mark as read" in listed
    shown = Seen.objects.get(user=doctor, key=red.key)
    assert shown.read_at is None
    client.post(reverse("needs_read", args=[study.slug]), {"thing": f"{red.key}.{red.state}"})
    assert count(study, doctor, Role.CLINICIAN)[0] == 0
    pair = f'value="{red.key}.{red.state}"'
    assert pair in listed
    assert pair not in client.get(reverse("needs", args=[study.slug])).content.decode()
    assert Event.objects.filter(action="notice.read", subject_code=red.key).count() == 1
    Standing.objects.filter(pk=red.pk).update(state="0" * 32)  # as a thing that has changed
    assert count(study, doctor, Role.CLINICIAN)[0] == 1


def test_several_things_are_read_at_once(study: Any, red: Any, everybody: dict[Role, Any]) -> None:
    client, url = client_for(everybody[Role.CLINICIAN]), reverse("needs", args=[study.slug])
    groups = client.get(url).context["groups"]
    shown = [one for group in groups for one in group.unread]
    assert len(shown) > 1
    client.post(reverse("needs_read", args=[study.slug]), {"thing": [f"{one.key}.{one.state}" for one in shown]})  # fmt: skip
    assert not any(group.unread for group in client.get(url).context["groups"])


def test_opening_the_page_of_a_thing_reads_it(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = everybody[Role.CLINICIAN]
    assert client_for(doctor).get(red.url).status_code == 200
    assert count(study, doctor, Role.CLINICIAN)[0] == 0


def test_a_state_that_was_not_shown_is_not_read(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = everybody[Role.CLINICIAN]
    client_for(doctor).post(
        reverse("needs_read", args=[study.slug]), {"thing": f"{red.key}.{'f' * 32}"}
    )
    assert count(study, doctor, Role.CLINICIAN)[0] == 1


def test_what_nobody_reads_goes_on_once_and_is_seen_by_the_next_role(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    tick(study, 14)
    assert not Escalation.objects.exists()
    tick(study, 15)
    tick(study, 16)
    step = Escalation.objects.get()
    assert (step.role, step.step) == ("lead", 1)
    assert Event.objects.filter(action="notice.escalated").count() == 1
    page = (
        client_for(everybody[Role.LEAD]).get(reverse("needs", args=[study.slug])).content.decode()
    )
    assert "escalated, unread" in page
    assert count(study, everybody[Role.LEAD], Role.LEAD)[0] == 1
    assert count(study, everybody[Role.PHARMACIST], Role.PHARMACIST)[0] == 0
    overview = (
        client_for(everybody[Role.LEAD])
        .get(reverse("red_notices", args=[study.slug]))
        .content.decode()
    )
    assert "Nobody has read it yet." in overview
    assert "Went on to the lead" in overview


def test_what_somebody_of_the_role_has_read_does_not_go_on(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = cast.actor_of(everybody[Role.CLINICIAN], study)
    notices_read(study=study, things=[(red.key, red.state)], actor=doctor)
    tick(study, 60)
    assert not Escalation.objects.exists()
    page = (
        client_for(everybody[Role.LEAD])
        .get(reverse("red_notices", args=[study.slug]))
        .content.decode()
    )
    assert f"Read by {everybody[Role.CLINICIAN].name}" in page


def test_what_is_over_stands_no_more(study: Any, red: Any, everybody: dict[Role, Any]) -> None:
    Standing.objects.filter(pk=red.pk).update(key="0" * 32)
    tick(study, 60)
    assert Standing.objects.get(pk=red.pk).gone_at is not None


def test_the_count_is_one_query_whatever_stands_and_says_nothing_twice(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    client = client_for(everybody[Role.CLINICIAN])
    address = reverse("needs_count", args=[study.slug])

    def asked(**given: str) -> tuple[Any, int]:
        with CaptureQueriesContext(
            connection,
        ) as queries:
            answer = client.get(address, given)
        return answer, len(queries)

    first, few = asked()
    mark = first.context["needs"].mark
    assert asked(mark=mark)[0].status_code == 204
    before = clock.now().isoformat()
    for number in (2, 3):
        hold(study, number, everybody[Role.COORDINATOR])
    tick(study, 1)
    later, many = asked(mark=mark, at=before)
    assert many == few
    assert "New: 2 urgent." in later.content.decode()
    assert 'aria-live="polite"' in later.content.decode()
    assert asked(mark=mark, at="no time")[0].status_code == 200


def test_urgent_mail_goes_once_to_the_role_and_says_nothing(
    study: Any, red: Any, everybody: dict[Role, Any], settings: Any
) -> None:
    settings.MAIL_FROM = "lab@lab.example"
    tick(study, 1)
    doctor = everybody[Role.CLINICIAN]
    mail = Message.objects.get(kind="notice_urgent")
    assert mail.user == doctor
    made = compose(mail)
    assert "1 urgent" in made.text
    assert reverse("needs", args=[study.slug]) in made.text
    assert red.label not in made.text + made.subject
    assert doctor.name not in made.text
    assert kind_of(mail.kind).wanted(mail, clock.now()) == ""
    notices_read(study=study, things=[(red.key, red.state)], actor=cast.actor_of(doctor, study))
    assert kind_of(mail.kind).wanted(mail, clock.now()) != ""


def test_a_digest_comes_once_a_day_at_the_chosen_hour_and_to_nobody_who_left(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = everybody[Role.CLINICIAN]
    local = clock.now().astimezone(study.zone)
    wish_set(study=study, digest=True, hour=10, actor=cast.actor_of(doctor, study))
    morning = (local + timedelta(days=1)).replace(hour=9, minute=59)
    mails = Message.objects.filter(kind="notice_digest", user=doctor, due_at__gte=morning)
    for minute in (0, 1, 30):
        with clock.travel(morning + timedelta(minutes=minute)):
            notices_stand(study=study, actor=HOUSE)
        assert mails.count() == (minute > 0)
    mail = mails.get()
    with clock.travel(morning + timedelta(minutes=2)):
        assert kind_of(mail.kind).wanted(mail, clock.now()) == ""
        doctor.memberships.update(stopped_at=clock.now(), ends_on=local.date() + timedelta(days=1))
        assert "no role" in kind_of(mail.kind).wanted(mail, clock.now())
    wish_set(study=study, digest=False, hour=10, actor=cast.actor_of(everybody[Role.LEAD], study))
    with clock.travel(morning + timedelta(days=1, hours=2)):
        notices_stand(study=study, actor=HOUSE)
    assert mails.count() == 1
    assert not Message.objects.filter(
        kind="notice_digest", user=everybody[Role.LEAD], due_at__gte=morning + timedelta(days=1)
    ).exists()


def test_no_digest_comes_or_goes_out_when_everything_was_read(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    doctor = everybody[Role.CLINICIAN]
    local = clock.now().astimezone(study.zone)
    for day in (1, 2):
        with clock.travel((local + timedelta(days=day)).replace(hour=8, minute=0)):
            notices_stand(study=study, actor=HOUSE)
            mails = Message.objects.filter(kind="notice_digest", user=doctor, about="notice:digest")
            assert mails.filter(due_at__gte=clock.now()).exists() == (day == 1)
            mail = mails.latest("due_at")
            things = [
                (one.key, one.state) for one in needs_of(study, doctor.pk, [Role.CLINICIAN]).rows
            ]
            assert bool(things) == (kind_of(mail.kind).wanted(mail, clock.now()) == "")
            notices_read(study=study, things=things, actor=cast.actor_of(doctor, study))
            assert "was read" in kind_of(mail.kind).wanted(mail, clock.now())


@pytest.mark.parametrize("role", [Role.COORDINATOR, Role.CLINICIAN, Role.EXPERIMENTER, Role.LEAD])
def test_a_pharmacists_red_thing_reaches_no_other_role(
    study: Any, red: Any, everybody: dict[Role, Any], role: Role
) -> None:
    before = count(study, everybody[role], role)
    now = clock.now()
    Standing.objects.create(
        study=study, role="pharmacist", key="1" * 32, state="2" * 32, title="Stock", label="Kit", url="/", shape="stop",
        since=now, changed_at=now,
    )  # fmt: skip
    Escalation.objects.create(
        study=study, key="1" * 32, since=now, step=1, role=role, at=now
    )  # even then
    assert count(study, everybody[role], role) == before
    if role == Role.LEAD:
        page = (
            client_for(everybody[role])
            .get(reverse("red_notices", args=[study.slug]))
            .content.decode()
        )
        assert "Stock" not in page


def test_the_hour_is_checked_and_what_was_typed_stays(
    study: Any, red: Any, everybody: dict[Role, Any]
) -> None:
    client = client_for(everybody[Role.MONITOR])
    answer = client.post(reverse("my_notices", args=[study.slug]), {"digest": "on", "hour": "25"})
    assert answer.status_code == 422
    assert 'value="25"' in answer.content.decode()
    assert client.post(reverse("my_notices", args=[study.slug]), {"hour": "8"}).status_code == 302
