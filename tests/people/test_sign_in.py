"""Signing in and out: by address, noted on the trail, closed after many refusals."""

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.selectors import address_digest
from tests.cast import PASSWORD, make_user

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def send(client: Client, email: str, password: str = PASSWORD, **more: str) -> Any:
    return client.post(reverse("sign_in"), {"username": email, "password": password, **more})


def noted(action: Action, email: str) -> int:
    return Event.objects.filter(action=action, subject_code=address_digest(email)).count()


def test_the_case_of_the_address_does_not_matter(client: Client, coordinator: Any) -> None:
    answer = send(client, f"  {coordinator.email.upper()} ")
    assert answer.status_code == 302
    assert answer["Location"] == reverse("home_site")
    assert client.session["_auth_user_id"] == str(coordinator.pk)
    event = Event.objects.get(action=Action.SIGNED_IN)
    assert (event.actor_id, event.actor_label) == (coordinator.pk, coordinator.name)


@pytest.mark.parametrize("email", ["cora.lindqvist@lab.example", "nobody@lab.example"])
def test_a_refusal_says_the_same_whoever_has_an_account(
    client: Client, coordinator: Any, email: str
) -> None:
    answer = send(client, email, "not the password at all")
    assert answer.status_code == 422
    assert "do not fit together" in answer.content.decode()
    assert "_auth_user_id" not in client.session
    assert noted(Action.SIGN_IN_REFUSED, email) == 1


def test_what_was_typed_as_an_address_is_not_kept(client: Client, db: Any) -> None:
    typed = "my.secret.password@work"
    send(client, typed, "x")
    event = Event.objects.get(action=Action.SIGN_IN_REFUSED)
    assert typed not in str(event.__dict__)
    assert event.actor_id is None


@pytest.mark.shows("A-12")
def test_a_closed_account_is_refused(client: Client, db: Any) -> None:
    gone = make_user("Gone Person", is_active=False)
    assert send(client, gone.email).status_code == 422
    assert "_auth_user_id" not in client.session


@pytest.mark.shows("S-08")
def test_ten_refusals_close_the_address_for_ten_minutes(client: Client, coordinator: Any) -> None:
    start = clock.now()
    for minute in range(10):
        with clock.travel(start + timedelta(seconds=30 * minute)):
            assert send(client, coordinator.email, "wrong").status_code == 422
    with clock.travel(start + timedelta(minutes=6)):
        answer = send(client, coordinator.email)
        assert answer.status_code == 429
        assert "Try again in 4 minutes." in answer.content.decode()
        assert noted(Action.SIGN_IN_REFUSED, coordinator.email) == 10
        other = make_user("Other Person")
        assert send(Client(), other.email).status_code == 302
    with clock.travel(start + timedelta(minutes=10, seconds=1)):
        assert send(client, coordinator.email).status_code == 302


def test_a_success_begins_the_count_anew(client: Client, coordinator: Any) -> None:
    for _ in range(9):
        send(client, coordinator.email, "wrong")
    send(client, coordinator.email)
    client.post(reverse("sign_out"))
    assert send(client, coordinator.email, "wrong").status_code == 422
    assert send(client, coordinator.email).status_code == 302


@pytest.mark.shows("V-3.5.3", "V-16.3.1")
def test_sign_out_is_by_post_only_and_noted(client: Client, coordinator: Any) -> None:
    send(client, coordinator.email)
    assert client.get(reverse("sign_out")).status_code == 405
    answer = client.post(reverse("sign_out"))
    assert answer["Location"] == reverse("sign_in")
    assert "_auth_user_id" not in client.session
    assert noted(Action.SIGNED_OUT, coordinator.email) == 1
    assert client.post(reverse("sign_out")).status_code == 302


def test_only_own_pages_are_gone_on_to(client: Client, coordinator: Any) -> None:
    answer = send(client, coordinator.email, next="https://elsewhere.example/")
    assert answer["Location"] == reverse("home_site")


def test_a_page_asks_for_sign_in_and_comes_back(client: Client, study: Any, lead: Any) -> None:
    page = reverse("people", kwargs={"study": study.slug})
    asked = client.get(page)
    assert asked["Location"] == f"{reverse('sign_in')}?next={page}"
    assert send(client, lead.email, next=page)["Location"] == page


class TestFirstPage:
    def test_one_study_opens_at_once(self, client_of: Any, coordinator: Any, study: Any) -> None:
        answer = client_of(coordinator).get("/")
        assert answer.status_code == 302
        assert answer["Location"].startswith(f"/s/{study.slug}/")

    def test_several_studies_are_listed(self, client_of: Any, outsider: Any, study: Any) -> None:
        from studylab.access import Role
        from tests.cast import join

        join(outsider, study, Role.MONITOR)
        page = client_of(outsider).get("/")
        assert page.status_code == 200
        assert page.content.decode().count("study-list") == 1
        for slug in (study.slug, "other-study"):
            assert f"/s/{slug}/" in page.content.decode()

    def test_no_study_says_what_helps(self, client_of: Any, db: Any) -> None:
        page = client_of(make_user("New Person")).get("/")
        assert "no role in any study today" in page.content.decode()
