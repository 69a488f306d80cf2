"""The run sheet's cases with a browser-like client for each role, at the case's own time."""

from collections.abc import Callable
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.urls import reverse
from django.utils.html import strip_tags

from studylab.access import Role
from tests import cast
from tests.scheduling.sheet.builder import Case
from tests.scheduling.sheet.conftest import (  # noqa: F401  (fixtures)
    booked,
    dosed,
    first,
    ready,
    rested,
    seen_once,
)


class Pages:
    """Opens and sends pages of a case as somebody, at the case's present."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self._clients: dict[str, Client] = {}

    def url(self, name: str, *args: Any) -> str:
        return reverse(name, args=[self.case.study.slug, *args])

    def visit_url(self, name: str, number: int, *more: Any) -> str:
        return self.url(name, self.case.visit(number).uid, *more)

    def client(self, role: str) -> Client:
        if role not in self._clients:
            client = Client()
            client.force_login(self.user(role))
            self._clients[role] = client
        return self._clients[role]

    def user(self, role: str) -> Any:
        if role not in self.case.users:
            self.case.users[role] = cast.make_user(cast.NAMES[Role(role)])
            cast.join(self.case.users[role], self.case.study, Role(role))
        return self.case.users[role]

    def get(self, url: str, role: str = "experimenter", **kwargs: Any) -> Any:
        with self.case.now():
            return self.client(role).get(url, **kwargs)

    def post(self, url: str, data: dict[str, Any], role: str = "experimenter") -> Any:
        with self.case.now():
            return self.client(role).post(url, data)

    def text(self, url: str, role: str = "experimenter") -> str:
        response = self.get(url, role)
        assert response.status_code == 200, response.status_code
        return response.content.decode()

    def words(self, url: str, role: str = "experimenter") -> str:
        """The page without its tags: keys and tokens in them hold any short text now and then."""
        return strip_tags(self.text(url, role))

    def record(self, number: int, step: str, **data: Any) -> Any:
        """Send the form of one step."""
        sent = {"client_id": str(uuid4()), **data}
        return self.post(self.visit_url("step_record", number, step), sent)


@pytest.fixture
def pages_of() -> Callable[[Case], Pages]:
    return Pages
