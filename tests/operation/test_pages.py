"""The pages of running work and of the status: who sees what, who may stop, what a front page says, what others ask."""

import io
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import PlanRun
from scheduling.services.plans import plan_ask
from screening.models import RulesRun
from screening.selectors.runs import studies_outdated
from screening.services.reassess import reassess_all, run_begin
from studylab import clock
from studylab.access import system_actor
from studylab.audit.models import SealCheck
from studylab.audit.seal_checks import check_ask
from studylab.operation.models import ProcessBeat
from studylab.operation.tasks import tick
from studylab.reports.models import ExportRun
from studylab.reports.services.exports import export_ask
from tests import cast

pytestmark = [pytest.mark.django_db, pytest.mark.database]
HOUSE = system_actor("test")


@pytest.fixture
def begun(
    study: Any,
    confirmed: Any,
    lead: Any,
    coordinator: Any,
    clinician: Any,
    monitor: Any,
    pharmacist: Any,
) -> Any:
    """One piece of each kind of work, waiting or under way; returns the study."""
    export_ask(study=study, actor=cast.actor_of(lead, study))
    check_ask(actor=cast.actor_of(lead, study))
    day = clock.now().astimezone(study.zone).date() + timedelta(days=1)
    plan_ask(
        study=study, purpose="plan", first_day=day, last_day=day, movable_from=None, seconds=15,
        actor=cast.actor_of(coordinator, study),
    )  # fmt: skip
    run_begin(study=study, actor=HOUSE)
    return study


def page(client: Client, study: Any, name: str = "set_up_running") -> str:
    answer = client.get(reverse(name, args=[study.slug]))
    assert answer.status_code == 200
    return answer.content.decode()


def press(client: Client, study: Any, what: str, kind: str, row: Any) -> str:
    """Press a button and return what is said on the page after it."""
    to = reverse(f"set_up_running_{what}", args=[study.slug, kind, row.uid])
    answer = client.post(to, follow=True)
    assert answer.status_code == 200
    return answer.content.decode()


def test_each_role_sees_the_kinds_that_are_its_own(
    begun: Any,
    client_of: Any,
    lead: Any,
    coordinator: Any,
    clinician: Any,
    monitor: Any,
    pharmacist: Any,
) -> None:
    titles = ("Exports", "Checks of the record", "Plans", "Rules over everybody")
    wanted = {
        lead: {"Exports", "Checks of the record", "Rules over everybody"},
        monitor: {"Exports", "Checks of the record", "Rules over everybody"},
        coordinator: {"Plans", "Rules over everybody"},
        clinician: {"Rules over everybody"},
    }
    for user, kinds in wanted.items():
        text = page(client_of(user), begun)
        assert {title for title in titles if f">{title}</h2>" in text} == kinds, user.name
    assert ">Stop<" not in page(client_of(monitor), begun)
    to = reverse("set_up_running", args=[begun.slug])
    assert client_of(pharmacist).get(to).status_code == 403


def test_what_somebody_may_not_see_or_stop_is_refused(
    begun: Any, client_of: Any, monitor: Any, coordinator: Any
) -> None:
    check, export = SealCheck.objects.get(), ExportRun.objects.get()
    for user, kind, row, status in (
        (monitor, "seals", check, 403), (monitor, "exports", export, 403), (coordinator, "exports", export, 404),
    ):  # fmt: skip
        for what in ("stop", "again"):
            to = reverse(f"set_up_running_{what}", args=[begun.slug, kind, row.uid])
            assert client_of(user).post(to).status_code == status, (user.name, kind, what)
    assert SealCheck.objects.get().is_open
    assert ExportRun.objects.get().is_open


def test_stopped_and_begun_again_and_the_page_asks_no_more_at_the_end(
    begun: Any, client_of: Any, lead: Any
) -> None:
    mine = client_of(lead)
    assert 'hx-trigger="every 3s"' in page(mine, begun, "set_up_running_rows")
    RulesRun.objects.update(finished_at=clock.now())
    assert "Nothing of it is kept" in press(mine, begun, "stop", "exports", ExportRun.objects.get())
    text = press(mine, begun, "stop", "seals", SealCheck.objects.get())
    assert "says nothing about the record" in text
    assert "hx-trigger" not in page(mine, begun, "set_up_running_rows")
    assert "stopped already" in press(mine, begun, "stop", "seals", SealCheck.objects.get())
    press(mine, begun, "again", "seals", SealCheck.objects.get())
    press(mine, begun, "again", "exports", ExportRun.objects.get())
    assert [run.state for run in SealCheck.objects.all()] == ["waiting", "stopped"]
    assert [run.state for run in ExportRun.objects.all()] == ["waiting", "stopped"]
    assert "hx-trigger" in page(mine, begun, "set_up_running_rows")


def test_a_plan_is_stopped_and_asked_for_again(
    begun: Any, client_of: Any, coordinator: Any
) -> None:
    mine, run = client_of(coordinator), PlanRun.objects.get()
    press(mine, begun, "stop", "plans", run)
    press(mine, begun, "again", "plans", run)
    new, old = PlanRun.objects.all()
    assert (old.state, new.state) == ("stopped", "waiting")
    assert (new.first_day, new.last_day, new.seconds) == (old.first_day, old.last_day, old.seconds)


def test_a_run_of_the_rules_waits_for_a_word_after_a_stop(
    begun: Any, client_of: Any, clinician: Any, coordinator: Any
) -> None:
    mine, run = client_of(clinician), RulesRun.objects.get()
    assert studies_outdated() == [begun]
    assert "stays so" in press(mine, begun, "stop", "rules", run)
    assert studies_outdated() == [], "the tick leaves it alone"
    stopped = reassess_all(study=begun, actor=HOUSE, although_stopped=False)
    assert (stopped.pk, stopped.finished_at, stopped.stop_by) == (run.pk, None, clinician.name)
    to = reverse("set_up_running_again", args=[begun.slug, "rules", run.uid])
    assert client_of(coordinator).post(to).status_code == 403
    assert "goes on where it stopped" in press(mine, begun, "again", "rules", run)
    assert studies_outdated() == [begun]
    assert reassess_all(study=begun, actor=HOUSE).finished_at is not None


def test_queries_do_not_grow_with_the_rows(begun: Any, client_of: Any, lead: Any) -> None:
    def count() -> int:
        with CaptureQueriesContext(connection) as seen:
            page(client_of(lead), begun)
        return len(seen)

    count()
    first = count()
    for _ in range(3):
        ExportRun.objects.create(
            study=begun, asked_at=clock.now(), asked_by=lead, state="failed", trouble="Ask again."
        )
        SealCheck.objects.create(asked_at=clock.now(), asked_by="somebody", state="stopped")
    assert count() == first


def test_the_status_is_for_the_lead_and_for_account_administrators(
    begun: Any, client_of: Any, lead: Any, monitor: Any, coordinator: Any
) -> None:
    text = page(client_of(lead), begun, "set_up_status")
    assert "No worker has been heard of yet." in text
    for user in (monitor, coordinator):
        assert client_of(user).get(reverse("set_up_status", args=[begun.slug])).status_code == 403
    assert client_of(lead).get(reverse("site_status")).status_code == 403
    admin = cast.make_user("Ada Winther", is_account_admin=True)
    answer = client_of(admin).get(reverse("site_status"))
    assert answer.status_code == 200
    assert begun.short_title not in answer.content.decode()
    assert reverse("site_status") in client_of(admin).get("/").content.decode()


def test_the_front_page_of_the_lead_says_that_nothing_runs(
    study: Any, confirmed: Any, client_of: Any, lead: Any, coordinator: Any
) -> None:
    home = reverse("home", args=[study.slug])
    words = "Background work stands still"
    assert words in client_of(lead).get(home).content.decode()
    assert words not in client_of(coordinator).get(home).content.decode()
    tick.run()
    text = client_of(lead).get(home).content.decode()
    assert words not in text
    assert "Workers" in text, "no worker has told of itself, though a tick was heard"
    now = clock.now()
    ProcessBeat.objects.create(
        kind="worker", name="a", version="0.1.0", started_at=now, seen_at=now
    )
    tick.run()
    assert "The site itself" not in client_of(lead).get(home).content.decode()


def test_the_command_prints_the_lines_and_fails_while_something_is_wrong() -> None:
    out = io.StringIO()
    with pytest.raises(CommandError, match=r"Wrong: Workers, Scheduler\."):
        call_command("status", stdout=out)
    assert "wrong Workers              No worker has been heard of yet." in out.getvalue()
    now = clock.now()
    for kind in ("worker", "scheduler"):
        ProcessBeat.objects.create(
            kind=kind, name=kind, version="0.1.0", started_at=now, seen_at=now
        )
    tick.run()
    call_command("status", stdout=out)


def test_health_says_one_word_and_asks_the_database_for_ready_only(
    client: Client, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(0):
        answer = client.get("/healthz/live")
    assert (answer.status_code, answer.content) == (200, b"live\n")
    answer = client.get("/healthz/ready")
    assert (answer.status_code, answer.content) == (200, b"ready\n")
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'operation'")
    answer = client.get("/healthz/ready")
    assert (answer.status_code, answer.content) == (503, b"not ready\n")
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE django_migrations RENAME TO not_there")
    assert client.get("/healthz/ready").status_code == 503
    assert client.post("/healthz/live").status_code == 405
