"""What drives have found, each once, so that it needs no luck to be found again."""

from collections.abc import Iterator
from typing import Any

import pytest
from django import forms
from django.http import QueryDict
from django.test import Client, RequestFactory
from django.urls import reverse

from screening.forms.vital_drafts import typed
from studylab.access import Role
from studylab.forms import InstantField, day_field
from studylab.http import next_url
from studylab.people.forms import DayField
from studylab.studies.drafting import draft_begin, draft_save
from tests.access.world import World, pages
from tests.cast import actor_of


@pytest.mark.parametrize("host", ["//evil.example/", "http://testserver:abc/", "x" * 300, "é", ""])
def test_a_request_for_another_host_is_malformed_and_no_fault_of_ours(host: str, db: Any) -> None:
    answer = Client(raise_request_exception=False).get("/sign-in/", headers={"host": host})
    assert answer.status_code == 400


@pytest.mark.parametrize(
    ("sent", "taken"),
    [
        ("/s/x/", "/s/x/"), ("２０２６-01-01", ""), ("nonsense", ""), ("//evil.example/", ""), ("/\\evil.example", ""),
        ("javascript:alert(1)", ""), ("http://testserver/s/x/", ""), ("", ""), ("\x00/", ""), ("/////", ""),
    ],
)  # fmt: skip
def test_where_somebody_came_from_is_an_address_of_ours_or_nothing(sent: str, taken: str) -> None:
    assert next_url(RequestFactory().get("/", {"next": sent})) == taken


def test_a_part_asked_for_by_a_page_whose_address_cannot_be_read(db: Any) -> None:
    headers = {"hx-request": "true", "hx-current-url": "http://["}
    answer = Client(raise_request_exception=False).get("/s/x/", headers=headers)
    assert answer.headers["HX-Redirect"] == "/sign-in/?next=/"


def test_what_no_form_has_looked_at_may_hold_a_nul(
    client_of: Any, coordinator: Any, lead: Any, study: Any
) -> None:
    client = client_of(coordinator)
    found = client.post(reverse("volunteer_find", args=[study.slug]), {"sought": "\x00Ana\x00"})
    assert found.status_code == 200
    actor = actor_of(lead, study)
    draft = draft_begin(study=study, document="a = 1", base=None, actor=actor)
    kept = draft_save(
        draft=draft, document="a = 2", revision=draft.revision, page="\x00p", actor=actor
    )
    assert kept.page == "p"
    assert typed(QueryDict("reading_1.pulse=6%001&%00x=y")) == {
        "reading_1.pulse": ["61"],
        "x": ["y"],
    }


@pytest.mark.parametrize("day", ["0001-01-01", "1799-12-31", "3000-01-01", "9999-12-31"])
def test_no_day_lies_at_an_end_of_the_calendar(day: str) -> None:
    """A day more or less cannot be counted there, and what the database keeps of year 1 it cannot give back."""
    for field, sent in (
        (InstantField(future=True), f"{day}T00:00"),
        (DayField(), day),
        (day_field("Day"), day),
    ):
        with pytest.raises(forms.ValidationError, match="Look at the year again"):
            field.clean(sent)


def test_no_field_takes_words_without_end() -> None:
    """A megabyte in the reason of an act would stand in the record, on every page and in every export of it."""
    assert pages()  # whoever serves an address has defined its forms
    endless = {
        f"{form.__name__}.{name}"
        for form in _forms(forms.BaseForm)
        for name, field in form.base_fields.items()
        if form.__module__.split(".")[0] in ("studylab", "screening", "scheduling")
        and type(field) is forms.CharField
        and not isinstance(field.widget, forms.HiddenInput | forms.PasswordInput)
        and field.max_length is None
    }
    assert endless == {"ProtocolForm.document"}


def _forms(above: Any) -> Iterator[Any]:
    for form in above.__subclasses__():
        if hasattr(form, "base_fields"):
            yield form
        yield from _forms(form)


def test_a_code_with_a_nul_is_nobodys(middle: World) -> None:
    client = Client(raise_request_exception=False)
    client.force_login(middle.people[Role.EXPERIMENTER])
    for end in ("", "knows/"):
        answer = client.get(f"/s/{middle.study.slug}/volunteers/before%00after/{end}")
        assert answer.status_code == 404, end
