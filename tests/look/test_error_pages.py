"""Error pages say what happened and what to do, and come up when other things do not."""

import re
from typing import Any

import pytest
from django.test import Client, RequestFactory

from studylab.people.views import errors

pytestmark = pytest.mark.urls("tests.look.site")


@pytest.fixture(autouse=True)
def _as_in_production(settings: Any) -> None:
    settings.DEBUG = False


def _text(response: Any) -> str:
    return re.sub(r"\s+", " ", response.content.decode())


def test_unknown_page_is_a_page_without_touching_the_database() -> None:
    response = Client().get("/nothing/here/")
    assert response.status_code == 404
    assert "There is no such page here" in _text(response)
    assert "Go to the start page" in _text(response)


def test_fault_of_ours_needs_neither_database_nor_session() -> None:
    client = Client(raise_request_exception=False)
    response = client.get("/bug/")
    assert response.status_code == 500
    assert "Something broke here" in _text(response)
    assert re.search(r"at \d{4}-\d\d-\d\d \d\d:\d\d:\d\d UTC", _text(response))
    assert "ZeroDivisionError" not in _text(response)


def test_fault_page_comes_up_without_collected_static_files(settings: Any, tmp_path: Any) -> None:
    settings.STATIC_ROOT = tmp_path
    settings.STORAGES = {
        **settings.STORAGES,
        "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.ManifestStaticFilesStorage"},
    }
    response = errors.broken(RequestFactory().get("/"))
    assert response.status_code == 500
    assert "Something broke here" in _text(response)
    assert "css" not in _text(response)


def test_old_form_is_explained() -> None:
    response = Client(enforce_csrf_checks=True).post("/sign-in/", {"username": "a@lab.example"})
    assert response.status_code == 403
    assert "This form was too old to be taken" in _text(response)
    assert "Nothing was saved" in _text(response)


@pytest.mark.django_db
@pytest.mark.database
class TestInAStudy:
    """Refusals of somebody signed in."""

    @pytest.mark.parametrize(
        ("page", "status", "words"),
        [
            ("list/", 403, "Your role in this study does not allow this."),
            ("not-allowed/", 403, "Only a clinician may release a hold."),
            ("conflict/", 409, "Room 2 was taken a moment ago."),
            ("refused/", 422, "The number is issued after the sign-off."),
            ("gate/", 422, "The pulse is 44 per minute."),
            ("nothing/", 404, "There is no such page here"),
        ],
    )
    def test_refusal_is_a_page_in_plain_words(
        self, study: Any, coordinator: Any, client_of: Any, page: str, status: int, words: str
    ) -> None:
        response = client_of(coordinator).get(f"/s/{study.slug}/{page}")
        assert response.status_code == status
        assert words in _text(response)
        assert "What you can do" in _text(response)
        assert _text(response).count("<h1>") == 1

    def test_what_is_opened_the_wrong_way_is_a_page_too(
        self, study: Any, coordinator: Any, client_of: Any
    ) -> None:
        client = client_of(coordinator)
        behind_a_button = client.get("/sign-out/")
        assert behind_a_button.status_code == 405
        assert behind_a_button.headers["Allow"] == "POST, OPTIONS"
        assert "Nothing was recorded now." in _text(behind_a_button)
        for_reading = client.post(f"/s/{study.slug}/only-read/", {"x": "1"})
        assert for_reading.status_code == 405
        assert for_reading.headers["Allow"] == "GET"
        assert "Nothing was saved." in _text(for_reading)
        for response in (behind_a_button, for_reading):
            assert _text(response).count("<h1>") == 1
            assert "Go to the start page" in _text(response)

    def test_page_of_another_study_says_the_same_as_no_page(
        self, study: Any, outsider: Any, client_of: Any
    ) -> None:
        client = client_of(outsider)
        ours, none = client.get(f"/s/{study.slug}/parts/"), client.get("/s/no-such-study/parts/")
        assert ours.status_code == none.status_code == 404
        token = re.compile(r'csrf[^>]*value="\w+"|X-CSRFToken": "\w+"')
        assert token.sub("", _text(ours)) == token.sub("", _text(none))

    def test_part_of_a_page_is_refused_by_a_notice(
        self, study: Any, coordinator: Any, client_of: Any
    ) -> None:
        response = client_of(coordinator).post(
            f"/s/{study.slug}/conflict/", headers={"HX-Request": "true"}
        )
        assert response.status_code == 409
        assert response.headers["HX-Retarget"] == "#messages"
        assert "<html" not in _text(response)
        assert "Room 2 was taken a moment ago." in _text(response)

    def test_ended_sign_in_moves_the_whole_page(self, study: Any) -> None:
        page = f"/s/{study.slug}/parts/"
        response = Client().get(
            page,
            headers={"HX-Request": "true", "HX-Current-URL": f"http://testserver{page}?page=2"},
        )
        assert response.headers["HX-Redirect"] == f"/sign-in/?next={page}%3Fpage%3D2"
        assert Client().get(page).status_code == 302

    def test_way_back_leads_to_our_own_pages_only(
        self, study: Any, coordinator: Any, client_of: Any
    ) -> None:
        client, page = client_of(coordinator), f"/s/{study.slug}/refused/"
        ours = client.get(
            page, headers={"Referer": f"http://testserver/s/{study.slug}/parts/?page=2"}
        )
        assert f'href="/s/{study.slug}/parts/?page=2"' in _text(ours)
        theirs = client.get(page, headers={"Referer": "http://elsewhere.example/s/x/"})
        assert "elsewhere" not in _text(theirs)
        assert "Back to the page you came from" not in _text(theirs)
