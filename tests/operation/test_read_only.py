"""While the site is read-only nothing is taken, nothing is lost of what was typed, and an emergency goes on."""

from collections.abc import Iterator
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import URLResolver, get_resolver, reverse

from studylab import clock
from studylab.audit.models import Event
from studylab.celery import app
from studylab.notices.models import Wish
from studylab.operation.models import ReadOnlySpan, StatusNote
from studylab.operation.read_only import writing_line
from studylab.operation.rules.status import State
from studylab.operation.tasks import tick

pytestmark = pytest.mark.django_db


OPEN = {
    "sign_in", "sign_out", "sign_ins", "lock_now", "unlock", "still_here", "change_user", "code_open",
    "link_door", "link_language", "link_leave", "account_login", "mfa_authenticate", "step_back", "passkey_sign_in",
}  # fmt: skip


def read_only(*words: str, **more: Any) -> None:
    call_command("read_only", *words, **more)


@pytest.fixture
def quiet() -> None:
    read_only("on", reason="upgrade", minutes=15)


def test_forms_are_refused_with_what_was_typed_and_pages_say_so_before(
    quiet: None, coordinator: Any, client_of: Any, study: Any
) -> None:
    client: Client = client_of(coordinator)
    url = reverse("my_notices", args=[study.slug])
    assert "Nothing can be recorded just now" in client.get(url).content.decode()
    answer = client.post(url, {"digest": "on", "hour": "19"})
    assert answer.status_code == 503
    assert answer.headers["Retry-After"] == "60"
    until = ReadOnlySpan.objects.get().until.astimezone(study.zone)
    assert f"(upgrade); expected until {until:%H:%M %Z}" in answer.content.decode()
    assert answer.context["form"]["hour"].value() == "19"
    assert not Wish.objects.exists()
    read_only("off")
    assert client.post(url, {"digest": "on", "hour": "19"}).status_code == 302
    assert Wish.objects.get().hour == 19
    assert "Nothing can be recorded just now" not in client.get(url).content.decode()


def test_coming_in_and_out_and_an_emergency_are_open_and_nothing_else() -> None:
    found = {
        name for name, view in _named(get_resolver()) if getattr(view, "is_open_while_read_only", False)
    }  # fmt: skip
    assert found >= {
        "sign_in",
        "sign_out",
        "lock_now",
        "unlock",
        "change_user",
        "code_open",
        "link_door",
    }
    assert found <= OPEN


def _named(resolver: URLResolver) -> Iterator[tuple[str, Any]]:
    for one in resolver.url_patterns:
        if isinstance(one, URLResolver):
            yield from _named(one)
        else:
            yield one.name, one.callback


def test_people_come_in_and_out(quiet: None, coordinator: Any, client: Client) -> None:
    page = client.post(reverse("sign_out"))
    assert page.status_code == 302


def test_workers_leave_what_waits_and_the_tick_goes_on(quiet: None) -> None:
    called = []

    def noted() -> None:
        called.append(1)

    task = app.task(name="tests.noted")(noted)
    task()
    assert not called
    tick()
    assert StatusNote.objects.filter(key="writing", state="look").exists()
    read_only("off")
    task()
    assert called == [1]


def test_it_stands_in_the_status_and_on_the_trail(quiet: None) -> None:
    span = ReadOnlySpan.objects.get()
    assert writing_line(clock.now()).state == State.LOOK
    assert writing_line(span.until.replace(year=span.until.year + 1)).state == State.WRONG
    read_only("off")
    assert writing_line(clock.now()).state == State.OK
    actions = (
        Event.objects.filter(subject_type="site").order_by("id").values_list("action", flat=True)
    )
    assert list(actions) == ["site.read_only_begun", "site.read_only_ended"]


@pytest.mark.parametrize(("words", "more", "said"), [
    (("on",), {"reason": "again"}, "already"), (("on",), {"reason": " "}, "Say why"),
    (("on",), {"reason": "x", "minutes": 0}, "between 1 and"),
])  # fmt: skip
def test_what_is_refused(quiet: None, words: tuple[str, ...], more: Any, said: str) -> None:
    with pytest.raises(CommandError, match=said):
        read_only(*words, **more)


def test_it_ends_once(quiet: None) -> None:
    read_only("off")
    with pytest.raises(CommandError, match="takes entries already"):
        read_only("off")
