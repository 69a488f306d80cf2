"""One sent form writes once: double clicks, repeated requests, lost answers."""

import threading
from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.audit.models import Submission
from studylab.audit.submissions import KEPT_FOR, submissions_purge
from studylab.audit.tasks import seal
from studylab.people.models import Invitation, Membership, User
from studylab.people.selectors import today_in
from tests.cast import PASSWORD
from tests.scheduling.lab import make_participant

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def url(study: Any, name: str = "people_add") -> str:
    return reverse(name, kwargs={"study": study.slug})


def form(key: Any, **changes: str) -> dict[str, Any]:
    return {
        "name": "Nora Feldt", "email": "nora.feldt@lab.example", "identity": "known", "roles": ["monitor"],
        "starts_on": today_in("America/Halifax").isoformat(), "ends_on": "", "form_key": str(key), **changes,
    }  # fmt: skip


def role_form(user: User, key: Any, **changes: str) -> dict[str, Any]:
    return {
        "person_email": user.email, "role": "experimenter", "starts_on": "2026-03-02",
        "form_key": str(key), **changes,
    }  # fmt: skip


def test_the_same_form_twice_writes_once(
    client_of: Any, lead: Any, coordinator: Any, study: Any
) -> None:
    client, key = client_of(lead), uuid4()
    page = url(study, "people_role_add")
    first = client.post(page, role_form(coordinator, key))
    assert first["Location"] == url(study, "people")
    second = client.post(page, role_form(coordinator, key), follow=True)
    assert second.redirect_chain == [(url(study, "people"), 302)]
    assert "That was recorded already." in second.content.decode()
    assert coordinator.memberships.filter(role="experimenter").count() == 1


def test_an_answer_that_is_a_page_leads_back_to_where_the_form_stood(
    client_of: Any, lead: Any, study: Any
) -> None:
    client, key = client_of(lead), uuid4()
    where = {"headers": {"referer": f"http://testserver{url(study)}?from=list"}}
    assert client.post(url(study), form(key), **where).status_code == 200
    again = client.post(url(study), form(key), **where)
    assert again["Location"] == f"{url(study)}?from=list"
    assert Invitation.objects.filter(email="nora.feldt@lab.example").count() == 1


def test_a_refused_form_gives_its_key_back(client_of: Any, lead: Any, study: Any) -> None:
    client, key = client_of(lead), uuid4()
    assert client.post(url(study), form(key, email="wrong")).status_code == 422
    assert not Submission.objects.exists()
    assert client.post(url(study), form(key)).status_code == 200
    assert Invitation.objects.filter(email="nora.feldt@lab.example").count() == 1


def test_a_refusal_told_on_the_next_page_is_no_record(
    client_of: Any, coordinator: Any, study: Any
) -> None:
    """Sent once more it is refused once more, and nobody reads that it was recorded."""
    person = make_participant(study, 1)
    page = reverse("number_issue", args=[study.slug, person.code])
    client, key = client_of(coordinator), uuid4()
    for _ in range(2):
        answer = client.post(page, {"form_key": str(key)}, follow=True)
        assert answer.redirect_chain[0][1] == 302
        assert "recorded already" not in answer.content.decode()
        assert len(list(answer.context["messages"])) == 1
        assert not Submission.objects.exists()


def test_the_same_key_while_the_first_is_running(client_of: Any, lead: Any, study: Any) -> None:
    client, key = client_of(lead), uuid4()
    running(key, lead, url(study))
    answer = client.post(url(study), form(key))
    assert answer.status_code == 409
    assert "still being worked on" in answer.content.decode()
    part = client.post(url(study), form(key), headers={"hx-request": "true"})
    assert part.status_code == 409
    assert part["HX-Retarget"] == "#messages"
    assert "<html" not in part.content.decode()
    assert not User.objects.filter(email="nora.feldt@lab.example").exists()


def running(key: Any, user: User, path: str, **more: Any) -> Submission:
    return Submission.objects.create(
        key=key, user_id=user.pk, path=path, **{"at": clock.now(), "request_id": uuid4(), **more}
    )


def test_a_form_cut_off_before_writing_runs_anew(client_of: Any, lead: Any, study: Any) -> None:
    key = uuid4()
    running(key, lead, url(study), at=clock.now() - timedelta(minutes=2))
    assert client_of(lead).post(url(study), form(key)).status_code == 200
    assert Invitation.objects.filter(email="nora.feldt@lab.example").exists()


def test_a_form_cut_off_after_writing_is_not_run_again(
    client_of: Any, lead: Any, coordinator: Any, study: Any
) -> None:
    """The worker was stopped between commit and answer: the event on the trail tells."""
    client, key, page = client_of(lead), uuid4(), url(study, "people_role_add")
    client.post(page, role_form(coordinator, key))
    Submission.objects.update(answer="", at=clock.now() - timedelta(minutes=2))
    membership = coordinator.memberships.get(role="experimenter")
    Membership.objects.filter(pk=membership.pk).update(ends_on="2026-03-03")
    again = client.post(
        page,
        role_form(coordinator, key, starts_on="2026-05-01"),
        follow=True,
        headers={"referer": f"http://testserver{page}"},
    )
    assert again.redirect_chain == [(page, 302)]
    assert "That was recorded already." in again.content.decode()
    assert coordinator.memberships.filter(role="experimenter").count() == 1


def test_a_key_of_another_person_or_page(
    client_of: Any, lead: Any, coordinator: Any, study: Any
) -> None:
    key = uuid4()
    running(key, coordinator, url(study))
    assert client_of(lead).post(url(study), form(key)).status_code == 409
    other = uuid4()
    running(other, lead, "/elsewhere/")
    answer = client_of(lead).post(url(study), form(other))
    assert answer.status_code == 409
    assert "opened by somebody else or for another page" in answer.content.decode()
    assert not User.objects.filter(email="nora.feldt@lab.example").exists()


@pytest.mark.parametrize("key", ["", "x", "1234", "é" * 36, "\x00"])
def test_a_damaged_key(client_of: Any, lead: Any, study: Any, key: str) -> None:
    answer = client_of(lead).post(url(study), form(key))
    assert answer.status_code == 400
    assert "key is damaged" in answer.content.decode()


def test_without_a_key_the_form_is_taken_as_before(client_of: Any, lead: Any, study: Any) -> None:
    data = form("unused")
    del data["form_key"]
    assert client_of(lead).post(url(study), data).status_code == 200
    assert not Submission.objects.exists()


def test_nobody_signed_in_claims_nothing(client: Client, study: Any, lead: Any) -> None:
    client.post(reverse("sign_in"), {"username": lead.email, "password": PASSWORD, "form_key": "x"})
    assert client.session["_auth_user_id"] == str(lead.pk)
    assert not Submission.objects.exists()


def test_a_page_that_is_not_open_to_the_role_claims_nothing(
    client_of: Any, monitor: Any, study: Any
) -> None:
    assert client_of(monitor).post(url(study), form(uuid4())).status_code == 403
    assert not Submission.objects.exists()


def test_every_form_carries_a_new_key(client_of: Any, lead: Any, study: Any) -> None:
    client = client_of(lead)
    pages = [client.get(url(study)).content.decode() for _ in range(2)]
    keys = [page.split('name="form_key" value="')[1].split('"')[0] for page in pages]
    assert len(set(keys)) == 2


def test_old_keys_go(lead: Any) -> None:
    running(uuid4(), lead, "/x/", at=clock.now() - KEPT_FOR - timedelta(minutes=1))
    young = running(uuid4(), lead, "/x/", at=clock.now() - KEPT_FOR + timedelta(minutes=1))
    assert submissions_purge() == 1
    assert list(Submission.objects.all()) == [young]
    seal()
    assert Submission.objects.count() == 1


@pytest.mark.django_db(transaction=True)
def test_eight_clicks_at_the_same_moment_write_one_row(
    client_of: Any, lead: Any, coordinator: Any, study: Any
) -> None:
    key, page = uuid4(), url(study, "people_role_add")
    clients = [client_of(lead) for _ in range(8)]
    barrier, statuses = threading.Barrier(8), []

    def click(client: Client) -> None:
        try:
            barrier.wait(10)
            answer = client.post(page, role_form(coordinator, key))
            statuses.append(answer.status_code)
        finally:
            connection.close()

    threads = [threading.Thread(target=click, args=[client]) for client in clients]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(statuses) == 8
    assert set(statuses) <= {302, 409}
    assert 302 in statuses
    assert coordinator.memberships.filter(role="experimenter").count() == 1
    assert Submission.objects.count() == 1
