"""What drives have found, each once, so that it needs no luck to be found again."""

from typing import Any

import pytest
from django.test import Client, RequestFactory

from studylab.http import next_url


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
