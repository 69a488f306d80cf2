"""Accounts: the first ones, choosing one's own password, and who may touch whose."""

from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import User
from studylab.people.services.accounts import password_change, user_add
from tests.cast import PASSWORD
from tests.people.inviting import CHOSEN, accepted

pytestmark = [pytest.mark.django_db, pytest.mark.database]
NEW = "seven quiet lanterns"


@pytest.mark.parametrize(
    ("old", "new", "again", "field", "words"),
    [
        ("wrong", NEW, NEW, "old_password", "not your password"),
        (PASSWORD, NEW, NEW + "x", "new_password2", "differ"),
        (PASSWORD, "too short", "too short", "new_password1", "at least 15"),
        (PASSWORD, PASSWORD, PASSWORD, "new_password1", "present password"),
        (PASSWORD, "Cora Lindqvist 26", "Cora Lindqvist 26", "new_password1", "your own"),
        (PASSWORD, "", "", "new_password1", "required"),
    ],
)
@pytest.mark.shows("V-6.2.1")
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


def test_an_address_is_used_once_whatever_its_case(coordinator: Any) -> None:
    with pytest.raises(Conflict, match="already has an account"):
        user_add(
            name="Somebody Else", email=coordinator.email.upper(), password=NEW,
            actor=system_actor("set-up"),
        )  # fmt: skip


@pytest.mark.parametrize(
    ("change", "field"), [({"name": "   "}, "name"), ({"email": "no address"}, "email")]
)
def test_an_account_needs_a_name_and_an_address(
    db: Any, change: dict[str, str], field: str
) -> None:
    given = {"name": "First Person", "email": "first@lab.example", **change}
    with pytest.raises(Refused) as refusal:
        user_add(password=NEW, actor=system_actor("set-up"), **given)
    assert refusal.value.field == field
    assert not User.objects.exists()


def test_only_the_house_itself_chooses_a_first_password(actor_of: Any, lead: Any, db: Any) -> None:
    made = user_add(
        name="First Person", email="first@lab.example", password=NEW, actor=system_actor("set-up")
    )
    assert made.check_password(NEW)
    with pytest.raises(NotAllowed):
        user_add(name="Second", email="second@lab.example", password=NEW, actor=actor_of(lead))
    assert not User.objects.filter(email="second@lab.example").exists()


@pytest.mark.shows("A-04", "V-16.3.1")
def test_an_account_its_roles_and_every_access_are_on_the_trail(
    client_of: Any, lead: Any, study: Any, actor_of: Any
) -> None:
    """Made, let in, refused, let out, role given and ended: each names the person, the time and who did it."""
    before, user = timezone.now(), accepted(study, actor_of(lead))
    added = Event.objects.get(action=Action.USER_ADDED)
    granted = Event.objects.get(action=Action.ROLE_GRANTED)
    invited = Event.objects.get(action=Action.INVITED)
    assert (invited.actor_id, invited.data["person"]) == (lead.pk, user.name)
    assert (added.actor_id, added.subject_code) == (user.pk, str(user.pk))
    assert (granted.data["person"], granted.study_id) == (user.name, study.pk)
    person = Client()
    sign_in = {"username": user.email, "password": "not the password at all"}
    person.post(reverse("sign_in"), sign_in)
    person.post(reverse("sign_in"), sign_in | {"password": CHOSEN})
    person.post(reverse("sign_out"))
    assert Event.objects.filter(action=Action.SIGN_IN_REFUSED).count() == 1
    assert Event.objects.get(action=Action.SIGNED_IN, actor_id=user.pk).at >= before
    assert Event.objects.filter(action=Action.SIGNED_OUT, actor_id=user.pk).count() == 1
    role = user.memberships.get()
    ending = reverse("people_role_end", kwargs={"study": study.slug, "role": role.uid})
    answer = client_of(lead).post(ending, {"when": "now", "ends_on": "", "reason": "Left the lab."})
    assert answer.status_code == 302
    ended = Event.objects.get(action=Action.ROLE_ENDED)
    assert (ended.actor_id, ended.reason, ended.data["person"]) == (
        lead.pk, "Left the lab.", user.name,
    )  # fmt: skip
