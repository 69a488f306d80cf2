"""Lines of log: one a request, with its number, nothing of anybody in it, and not to be broken from outside."""

import json
import logging
from typing import Any
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.test import Client, RequestFactory
from django.urls import reverse

from studylab.audit.models import Event
from studylab.logs import JsonFormatter, LineFormatter, NumberFilter, request_number, set_number
from studylab.people.views.errors import broken

# OWASP ASVS 5.0, 16.4.1: what is logged is encoded so that nobody can write lines of log of their own.
FORGED = "found\n2026-11-29 12:00:00 INFO studylab: all is well\x1b[2J\r\u2028end"


def made(text: str, **more: Any) -> logging.LogRecord:
    record = logging.LogRecord("studylab.x", logging.INFO, "x.py", 1, text, None, None)
    record.__dict__.update(more)
    NumberFilter().filter(record)
    return record


@pytest.mark.parametrize("formatter", [LineFormatter("%(number)s %(message)s"), JsonFormatter()])
@pytest.mark.shows("V-16.4.1")
def test_a_line_stays_one_line(formatter: logging.Formatter) -> None:
    said = formatter.format(made(FORGED))
    assert said.splitlines() == [said]
    assert said.isprintable()
    assert "found" in said
    assert "end" in said


@pytest.mark.shows("V-16.2.2")
def test_a_line_of_json_carries_number_facts_and_trace() -> None:
    set_number("n-1")
    try:
        try:
            raise ValueError("odd")
        except ValueError as problem:
            record = made("tried", facts={"status": 500}, exc_info=(type(problem), problem, None))
        found = json.loads(JsonFormatter().format(record))
    finally:
        set_number("")
    assert (found["number"], found["status"], found["text"]) == ("n-1", 500, "tried")
    assert "ValueError: odd" in found["trace"]
    assert found["at"].endswith("+00:00")


@pytest.mark.django_db
@pytest.mark.shows("V-16.2.1")
def test_one_number_joins_answer_log_and_trail(client: Client, caplog: Any) -> None:
    with caplog.at_level(logging.INFO, logger="studylab.requests"):
        answer = client.post(reverse("sign_in"), {"username": "nobody@lab.example", "password": "wrong words here"})  # fmt: skip
    number = answer.headers["X-Request-ID"]
    (record,) = [one for one in caplog.records if one.name == "studylab.requests"]
    assert record.facts["page"] == "sign_in"
    assert record.facts["status"] == answer.status_code
    assert "nobody" not in record.getMessage()
    assert Event.objects.filter(subject_type="sign_in").exists()
    assert UUID(number)


@pytest.mark.django_db
@pytest.mark.shows("V-16.3.2", "V-16.2.1")
def test_refused_access_leaves_a_line_that_says_who_and_what(
    client_of: Any, monitor: Any, study: Any, caplog: Any
) -> None:
    browser = client_of(monitor)
    with caplog.at_level(logging.INFO, logger="studylab.requests"):
        browser.post(reverse("people_add", args=[study.slug]))
        browser.get("/s/another-study/")
    lines = [one.facts for one in caplog.records if one.name == "studylab.requests"]
    assert [(one["page"], one["status"], one["account"]) for one in lines] == [
        ("people_add", 403, monitor.pk), ("home", 404, monitor.pk),
    ]  # fmt: skip


@pytest.mark.django_db
def test_pages_of_health_leave_no_line(client: Client, caplog: Any) -> None:
    with caplog.at_level(logging.INFO, logger="studylab.requests"):
        client.get(reverse("health_live"))
    assert not [one for one in caplog.records if one.name == "studylab.requests"]


@pytest.mark.parametrize(("behind", "given", "kept"), [
    (True, "1b4e28ba-2fa1-41d2-883f-0016d3cca427", True), (False, "1b4e28ba-2fa1-41d2-883f-0016d3cca427", False),
    (True, "1\n2", False), (True, "", False),
])  # fmt: skip
def test_a_number_from_outside_counts_only_behind_our_own_proxy(
    settings: Any, behind: bool, given: str, kept: bool
) -> None:
    settings.BEHIND_PROXY = behind
    request = RequestFactory().get("/", headers={"X-Request-ID": given})
    assert (str(request_number(request)) == given) is kept


def test_the_page_of_a_fault_names_the_number() -> None:
    request = RequestFactory().get("/")
    request.number = UUID(int=7)  # type: ignore[attr-defined]
    answer: HttpResponse = broken(request)
    assert str(UUID(int=7)) in answer.content.decode()
