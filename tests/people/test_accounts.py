"""Accounts: starting passwords, choosing one's own, and who may touch whose."""

import random
from datetime import date
from typing import Any

import pytest
from django.contrib.auth.password_validation import validate_password
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from studylab.access import Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Membership, User
from studylab.people.rules.starting_password import SIGNS, starting_password
from studylab.people.services.accounts import (
    member_add,
    password_change,
    starting_password_renew,
    user_add,
)
from tests.cast import PASSWORD

pytestmark = [pytest.mark.django_db, pytest.mark.database]
NEW = "seven quiet lanterns"


def form(**changes: Any) -> dict[str, Any]:
    return {
        "name": "Nora Feldt", "email": "nora.feldt@lab.example", "role": "experimenter",
        "starts_on": "2026-01-05", "ends_on": "", **changes,
    }  # fmt: skip


def url(name: str, study: Any, **kwargs: Any) -> str:
    return reverse(name, kwargs={"study": study.slug, **kwargs})


def test_starting_passwords_are_long_plain_and_different() -> None:
    made = {starting_password(random.Random(seed).choice) for seed in range(200)}
    assert len(made) == 200
    for password in made:
        groups = password.split("-")
        assert [len(group) for group in groups] == [5, 5, 5, 5]
        assert set("".join(groups)) <= set(SIGNS)
        validate_password(password)


def test_the_whole_way_of_a_new_person(client_of: Any, lead: Any, study: Any) -> None:
    boss = client_of(lead)
    shown = boss.post(url("people_add", study), form())
    assert shown.status_code == 200
    assert shown["Cache-Control"] == "no-store"
    given = shown.context["account"].starting_password
    assert given in shown.content.decode()
    assert given not in boss.get(url("people", study)).content.decode()
    assert given not in str(list(Event.objects.values()))

    person = Client()
    arrived = person.post(
        reverse("sign_in"), {"username": "nora.feldt@lab.example", "password": given}
    )
    assert arrived.status_code == 302
    home = url("people", study)
    assert person.get(home)["Location"] == reverse("password_change")
    assert person.post(url("people_add", study), form())["Location"] == reverse("password_change")
    assert "Choose your own password" in person.get(reverse("password_change")).content.decode()

    changed = person.post(
        reverse("password_change"),
        {"old_password": given, "new_password1": NEW, "new_password2": NEW},
    )
    assert changed.status_code == 302, changed.context["form"].errors
    assert person.get(home).status_code == 200
    assert Event.objects.filter(action=Action.PASSWORD_CHANGED).count() == 1
    user = User.objects.get(email="nora.feldt@lab.example")
    assert user.check_password(NEW)
    assert not user.must_change_password


@pytest.mark.parametrize(
    ("old", "new", "again", "field", "words"),
    [
        ("wrong", NEW, NEW, "old_password", "not your present password"),
        (PASSWORD, NEW, NEW + "x", "new_password2", "differ"),
        (PASSWORD, "too short", "too short", "new_password1", "at least 15"),
        (PASSWORD, PASSWORD, PASSWORD, "new_password1", "present password"),
        (PASSWORD, "Cora Lindqvist 26", "Cora Lindqvist 26", "new_password1", "too similar"),
        (PASSWORD, "", "", "new_password1", "required"),
    ],
)
def test_bad_new_passwords_are_named(
    client_of: Any, coordinator: Any, old: str, new: str, again: str, field: str, words: str
) -> None:
    answer = client_of(coordinator).post(
        reverse("password_change"),
        {"old_password": old, "new_password1": new, "new_password2": again},
    )
    assert answer.status_code == 422
    assert words in " ".join(answer.context["form"].errors[field])
    assert User.objects.get(pk=coordinator.pk).check_password(PASSWORD)


def test_nobody_changes_another_persons_password(
    actor_of: Any, lead: Any, coordinator: Any
) -> None:
    with pytest.raises(NotAllowed):
        password_change(user=coordinator, old=PASSWORD, new=NEW, actor=actor_of(lead))


def test_a_chosen_password_is_not_replaced(
    client_of: Any, actor_of: Any, lead: Any, clinician: Any, study: Any
) -> None:
    """A lead who could set a clinician's password could sign as the clinician."""
    membership = Membership.objects.get(user=clinician)
    with pytest.raises(Refused, match="has chosen a password already"):
        starting_password_renew(membership=membership, actor=actor_of(lead))
    answer = client_of(lead).post(url("people_starting_password", study, role=membership.uid))
    assert answer.status_code == 422
    assert User.objects.get(pk=clinician.pk).check_password(PASSWORD)


def test_a_lost_starting_password_is_made_anew(
    client_of: Any, actor_of: Any, lead: Any, study: Any
) -> None:
    account = member_add(
        study=study, name="Nora Feldt", email="nora.feldt@lab.example", role=Role.MONITOR,
        starts_on=date(2026, 1, 5), actor=actor_of(lead),
    )  # fmt: skip
    membership = account.user.memberships.get()
    page = client_of(lead).post(url("people_starting_password", study, role=membership.uid))
    second = page.context["account"].starting_password
    user = User.objects.get(pk=account.user.pk)
    assert user.check_password(second)
    assert not user.check_password(account.starting_password or "")
    assert user.must_change_password


def test_an_address_is_used_once_whatever_its_case(
    actor_of: Any, lead: Any, coordinator: Any
) -> None:
    with pytest.raises(Conflict, match="already has an account"):
        user_add(name="Somebody Else", email=coordinator.email.upper(), actor=actor_of(lead))


@pytest.mark.shows("S-04")
def test_a_known_address_with_another_name_is_refused(
    client_of: Any, lead: Any, outsider: Any, study: Any
) -> None:
    answer = client_of(lead).post(url("people_add", study), form(email=outsider.email))
    assert answer.status_code == 422
    assert "belongs to Otis Brandt" in answer.context["form"].errors["name"][0]
    assert 'value="Nora Feldt"' in answer.content.decode()


def test_a_known_person_keeps_the_account(
    client_of: Any, lead: Any, outsider: Any, study: Any
) -> None:
    data = form(email=outsider.email.upper(), name="otis  brandt")
    answer = client_of(lead).post(url("people_add", study), data, follow=True)
    assert "the account existed already" in answer.content.decode()
    assert User.objects.get(pk=outsider.pk).check_password(PASSWORD)
    assert outsider.memberships.filter(study=study, role="experimenter").exists()


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"name": "   "}, "name"),
        ({"email": "no address"}, "email"),
        ({"role": "emperor"}, "role"),
        ({"starts_on": "5 January"}, "starts_on"),
        ({"ends_on": "2025-12-01"}, "ends_on"),
        ({"starts_on": ""}, "starts_on"),
    ],
)
def test_bad_input_names_the_field_and_keeps_what_was_typed(
    client_of: Any, lead: Any, study: Any, change: dict[str, str], field: str
) -> None:
    answer = client_of(lead).post(url("people_add", study), form(**change))
    assert answer.status_code == 422
    assert answer.context["form"].errors[field]
    if "email" not in change:
        assert "nora.feldt@lab.example" in answer.content.decode()
    assert not User.objects.filter(email="nora.feldt@lab.example").exists()


def test_only_the_house_itself_chooses_a_first_password(actor_of: Any, lead: Any, db: Any) -> None:
    made = user_add(
        name="First Person", email="first@lab.example", password=NEW, actor=system_actor("set-up")
    )
    assert made.user.check_password(NEW)
    assert not made.user.must_change_password
    with pytest.raises(NotAllowed):
        user_add(name="Second", email="second@lab.example", password=NEW, actor=actor_of(lead))


def test_no_service_without_the_capability(actor_of: Any, coordinator: Any, study: Any) -> None:
    with pytest.raises(NotAllowed):
        user_add(name="Nora Feldt", email="nora.feldt@lab.example", actor=actor_of(coordinator))
    with pytest.raises(NotAllowed):
        member_add(
            study=study, name="N", email="n@lab.example", role=Role.LEAD,
            starts_on=date(2026, 1, 5), actor=actor_of(coordinator),
        )  # fmt: skip
    assert not User.objects.filter(email__in=["nora.feldt@lab.example", "n@lab.example"]).exists()


@pytest.mark.shows("A-04")
def test_an_account_its_roles_and_every_access_are_on_the_trail(
    client_of: Any, lead: Any, study: Any
) -> None:
    """Made, let in, refused, let out, role given and ended: each names the person, the time and who did it."""
    boss, before = client_of(lead), timezone.now()
    given = boss.post(url("people_add", study), form()).context["account"].starting_password
    user = User.objects.get(email="nora.feldt@lab.example")
    added = Event.objects.get(action=Action.USER_ADDED)
    granted = Event.objects.get(action=Action.ROLE_GRANTED, actor_id=lead.pk)
    assert (added.actor_id, added.subject_code) == (lead.pk, str(user.pk))
    assert (granted.data["person"], granted.study_id) == (user.name, study.pk)
    person = Client()
    sign_in = {"username": user.email, "password": "not the password at all"}
    person.post(reverse("sign_in"), sign_in)
    person.post(reverse("sign_in"), sign_in | {"password": given})
    person.post(reverse("sign_out"))
    assert Event.objects.filter(action=Action.SIGN_IN_REFUSED).count() == 1
    assert Event.objects.get(action=Action.SIGNED_IN, actor_id=user.pk).at >= before
    assert Event.objects.filter(action=Action.SIGNED_OUT, actor_id=user.pk).count() == 1
    role = user.memberships.get()
    ending = reverse("people_role_end", kwargs={"study": study.slug, "role": role.uid})
    assert (
        boss.post(ending, {"when": "now", "ends_on": "", "reason": "Left the lab."}).status_code
        == 302
    )
    ended = Event.objects.get(action=Action.ROLE_ENDED)
    assert (ended.actor_id, ended.reason, ended.data["person"]) == (
        lead.pk,
        "Left the lab.",
        user.name,
    )
