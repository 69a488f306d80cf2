"""The middleware: what declares no capability is refused, whoever asks."""

import sys
from types import ModuleType
from typing import Any

import pytest
from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.test import Client, override_settings
from django.urls import include, path
from django.views.generic import View

import studylab.urls
from studylab.access import ROLE_CAPS, Actor, Cap, link_page, requires
from tests.participants.people import add
from tests.selfreport.phone import make

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def undeclared(request: HttpRequest, **kwargs: Any) -> HttpResponse:
    return HttpResponse("should never be seen")


class UndeclaredClass(View):
    def get(self, request: HttpRequest) -> HttpResponse:
        return HttpResponse("should never be seen")


@requires(Cap.ANYONE)
def open_page(request: HttpRequest) -> HttpResponse:
    return HttpResponse("open")


@requires(Cap.SIGN_OFF)
def study_page(request: HttpRequest, study: str) -> HttpResponse:
    return HttpResponse(f"roles {request.actor.role_text}, zone {request.study.timezone}")  # type: ignore[attr-defined]


@requires(Cap.SIGN_OFF)
def study_page_without_study(request: HttpRequest) -> HttpResponse:
    return HttpResponse("should never be seen")


@link_page("questions")
def linked_page(request: HttpRequest) -> HttpResponse:
    return HttpResponse(f"linked {request.actor.label}")  # type: ignore[attr-defined]


@link_page("something else")
def other_linked_page(request: HttpRequest) -> HttpResponse:
    return HttpResponse("should never be seen")


@requires(Cap.LINK_HOLDER)
def link_without_purpose(request: HttpRequest) -> HttpResponse:
    return HttpResponse("should never be seen")


pages = ModuleType("tests_access_pages")
pages.urlpatterns = [  # type: ignore[attr-defined]
    path("undeclared/", undeclared),
    path("undeclared-class/", UndeclaredClass.as_view()),
    path("open/", open_page),
    path("no-study/", study_page_without_study),
    path("linked/", linked_page),
    path("linked-otherwise/", other_linked_page),
    path("linked-to-nothing/", link_without_purpose),
    path("s/<slug:study>/undeclared/", undeclared),
    path("s/<slug:study>/page/", study_page),
    path("", include(studylab.urls)),
]
for name in ("handler403", "handler404", "handler500"):
    setattr(pages, name, getattr(studylab.urls, name))
sys.modules[pages.__name__] = pages


@pytest.fixture(autouse=True)
def _pages() -> Any:
    with override_settings(ROOT_URLCONF=pages.__name__):
        yield


@pytest.mark.parametrize(
    "page", ["/undeclared/", "/undeclared-class/", "/s/slide-story/undeclared/"]
)
@pytest.mark.shows("V-8.2.1", "V-16.5.3")
def test_an_undeclared_view_is_refused(page: str, client_of: Any, lead: Any) -> None:
    for client in (Client(), client_of(lead)):
        answer = client.get(page)
        assert answer.status_code == 403
        assert "should never be seen" not in answer.content.decode()


def test_a_page_for_anyone_is_open(client: Client) -> None:
    assert client.get("/open/").content == b"open"


def test_a_capability_of_a_study_is_not_held_outside_it(client_of: Any, clinician: Any) -> None:
    assert client_of(clinician).get("/no-study/").status_code == 403


@pytest.mark.shows("V-14.3.2")
def test_the_study_and_the_roles_are_on_the_request(client_of: Any, clinician: Any) -> None:
    answer = client_of(clinician).get("/s/slide-story/page/")
    assert answer.content.decode() == (
        "roles Clinician (supervising physician), zone America/Halifax"
    )
    assert answer["Cache-Control"] == "no-store"


def test_another_study_is_not_there(client_of: Any, outsider: Any, study: Any) -> None:
    client = client_of(outsider)
    assert client.get("/s/slide-story/page/").status_code == 404
    assert client.get("/s/no-such-study/page/").status_code == 404
    assert client.get("/s/other-study/page/").status_code == 200


@pytest.mark.shows("A-12", "V-7.4.2")
def test_a_closed_account_is_signed_out_at_once(client_of: Any, clinician: Any) -> None:
    client = client_of(clinician)
    clinician.is_active = False
    clinician.save()
    answer = client.get("/s/slide-story/page/")
    assert answer.status_code == 302
    assert answer["Location"].startswith("/sign-in/?next=")


def test_a_part_of_a_page_sends_the_whole_page_to_sign_in(client: Client) -> None:
    answer = client.get(
        "/s/slide-story/page/",
        headers={"hx-request": "true", "hx-current-url": "http://testserver/s/slide-story/today/"},
    )
    assert answer.headers["HX-Redirect"] == "/sign-in/?next=/s/slide-story/today/"


def test_a_page_behind_a_link_opens_by_a_link_of_its_purpose_only(
    study: Any, coordinator: Any, actor_of: Any, client_of: Any, client: Client
) -> None:
    keeper = actor_of(coordinator)
    volunteer = add(keeper, study)
    for nobody in (Client(), client_of(coordinator)):
        assert nobody.get("/linked/").status_code == 403
    client.post("/my/", {"token": make(keeper, volunteer).token})
    answer = client.get("/linked/")
    assert answer.content.decode() == f"linked Volunteer {volunteer.code}"
    assert (answer["Cache-Control"], answer["Referrer-Policy"], answer["X-Robots-Tag"]) == (
        "no-store", "no-referrer", "noindex, nofollow",
    )  # fmt: skip
    for page in ("/linked-otherwise/", "/linked-to-nothing/"):
        answer = client.get(page)
        assert answer.status_code == 403
        assert "should never be seen" not in answer.content.decode()
    assert client.get("/s/slide-story/page/").status_code == 302


def test_without_its_middleware_no_page_behind_a_link_opens(client: Client) -> None:
    """The second lock: the middleware of the staff lets nobody through to a link's page by itself."""
    left = [name for name in settings.MIDDLEWARE if not name.endswith("LinkMiddleware")]
    with override_settings(MIDDLEWARE=left):
        assert Client().get("/linked/").status_code == 403


def test_the_holder_of_a_link_is_neither_the_house_nor_a_role() -> None:
    holder = Actor(user_id=None, label="Volunteer", study_id=1, participant_id=7)
    assert not holder.is_system
    assert [cap for cap in Cap if holder.may(cap)] == [Cap.LINK_HOLDER]
    assert all(Cap.LINK_HOLDER not in caps for caps in ROLE_CAPS.values())
