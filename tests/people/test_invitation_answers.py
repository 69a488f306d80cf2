"""Answering an invitation: a new account by the link, a further role for who has one, refusals at that moment."""

from datetime import timedelta
from hashlib import sha256
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Invitation, User
from studylab.people.rules.account_rules import ACCOUNT_RULES, RULES_DIGEST
from studylab.people.selectors import actor_for, today_in
from studylab.people.services.invitation_answers import (
    invitation_accept,
    invitation_accept_new,
    invitation_decline,
    invitation_house,
)
from studylab.people.services.roles import role_grant
from tests.cast import make_user
from tests.people.inviting import CHOSEN, accepted, invite, secret_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]
DOOR, ACCEPT = "/invitation/", "/invitation/accept/"


def answer(made: Invitation, **changes: str) -> dict[str, str]:
    return {"token": secret_of(made), "password1": CHOSEN, "password2": CHOSEN, "own": "on", **changes}  # fmt: skip


def people(study: Any) -> str:
    return reverse("people", kwargs={"study": study.slug})


@pytest.mark.shows("A-12")
def test_the_whole_way_of_a_new_person(study: Any, lead: Any, actor_of: Any) -> None:
    made = invite(study, actor_of(lead), roles=[Role.EXPERIMENTER, Role.MONITOR])
    person = Client()
    assert person.get(DOOR).status_code == 200
    shown = person.post(DOOR, {"token": f"https://lab.example/invitation/#{secret_of(made)} "})
    text = shown.content.decode()
    assert "Nora Feldt" in text
    assert "Experimenter, Monitor" in text
    assert "It is one person’s." in text
    assert (shown["Cache-Control"], shown["X-Robots-Tag"]) == ("no-store", "noindex, nofollow")
    done = person.post(ACCEPT, answer(made))
    assert (done.status_code, done["Location"]) == (302, reverse("sign_in"))
    user = User.objects.get(email="nora.feldt@lab.example")
    assert user.check_password(CHOSEN)
    roles = user.memberships.order_by("role")
    assert [(one.role, one.granted_by) for one in roles] == [("experimenter", lead), ("monitor", lead)]  # fmt: skip
    signed_in = person.post(reverse("sign_in"), {"username": user.email, "password": CHOSEN})
    assert signed_in.status_code == 302
    event = Event.objects.get(action=Action.INVITATION_ACCEPTED)
    assert (event.actor_id, event.study_id, event.data["handed_over"]) == (user.pk, study.pk, True)
    again = Client().post(ACCEPT, answer(made, password1=CHOSEN + "!", password2=CHOSEN + "!"))
    assert again.status_code == 422
    assert "does not open" in again.content.decode()
    assert User.objects.get(pk=user.pk).check_password(CHOSEN)


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"password1": "too short", "password2": "too short"}, "password1", "at least 15"),
        ({"password2": "another one entirely"}, "password2", "differ"),
        ({"password1": "Nora Feldt 2026", "password2": "Nora Feldt 2026"}, "password1", "similar"),
        ({"own": ""}, "own", "Tick this"),
    ],
)
def test_what_is_refused_at_the_door_is_named(
    study: Any, lead: Any, actor_of: Any, change: dict[str, str], field: str, words: str
) -> None:
    made = invite(study, actor_of(lead))
    refused = Client().post(ACCEPT, answer(made, **change))
    assert refused.status_code == 422
    assert words in " ".join(refused.context["form"].errors[field])
    assert secret_of(made) in refused.content.decode(), "the link goes on with the next try"
    assert not User.objects.filter(email=made.email).exists()


def test_a_link_that_does_not_open_says_the_same_whatever_it_is(
    study: Any, lead: Any, actor_of: Any
) -> None:
    made = invite(study, actor_of(lead))
    tries = ["", "nonsense", "x" * 32, secret_of(made)]
    with clock.travel(made.expires_at + timedelta(days=1)):
        pages = [Client().post(DOOR, {"token": one}) for one in tries]
    assert {page.status_code for page in pages} == {422}
    assert len({page.content.decode().partition("<main")[2] for page in pages}) == 1


@pytest.mark.shows("S-04")
def test_who_has_an_account_gets_no_second_one_and_accepts_signed_in(
    study: Any, lead: Any, actor_of: Any, outsider: Any, client_of: Any
) -> None:
    made = invite(study, actor_of(lead), name="O. B.", email=outsider.email.upper())
    shown = Client().post(DOOR, {"token": secret_of(made)}).content.decode()
    assert "You have an account" in shown
    assert "Choose your password" not in shown
    assert Client().post(ACCEPT, answer(made)).status_code == 409
    with pytest.raises(Conflict, match="There is an account"):
        invitation_accept_new(invitation=made, turn=1, password=CHOSEN, actor=invitation_house())
    person = client_of(outsider)
    assert person.get("/")["Location"] == reverse("own_invitations")
    assert person.get("/?later=1").status_code in (200, 302)
    assert study.short_title in person.get(reverse("own_invitations")).content.decode()
    page = reverse("own_invitation_accept", kwargs={"invitation": made.uid})
    assert person.post(page).status_code == 302
    assert person.get(people(study)).status_code == 200
    assert outsider.memberships.get(study=study).granted_by == lead
    assert person.post(page).status_code == 404
    assert User.objects.filter(email__iexact=outsider.email).count() == 1


def test_an_invitation_to_somebody_else_is_not_there(
    study: Any, lead: Any, actor_of: Any, outsider: Any, monitor: Any, client_of: Any
) -> None:
    made = invite(study, actor_of(lead), email=outsider.email)
    for name in ("own_invitation_accept", "own_invitation_decline"):
        page = reverse(name, kwargs={"invitation": made.uid})
        assert client_of(monitor).post(page).status_code == 404
    for act in (invitation_accept, invitation_decline):
        with pytest.raises(NotAllowed):
            act(invitation=made, actor=actor_of(monitor))
    shown = client_of(monitor).post(DOOR, {"token": secret_of(made)}).content.decode()
    assert "You are signed in as Mona Sayers" in shown
    assert client_of(monitor).post(ACCEPT, answer(made)).status_code == 422
    assert not outsider.memberships.filter(study=study).exists()


def test_declined_is_declined(
    study: Any, lead: Any, actor_of: Any, outsider: Any, client_of: Any
) -> None:
    made = invite(study, actor_of(lead), email=outsider.email)
    page = reverse("own_invitation_decline", kwargs={"invitation": made.uid})
    assert client_of(outsider).post(page).status_code == 302
    assert Invitation.objects.get().ended_how == "declined"
    with pytest.raises(Conflict, match="not open any more"):
        invitation_accept(invitation=made, actor=actor_for(outsider, None))
    assert not outsider.memberships.filter(study=study).exists()


@pytest.mark.shows("B-02")
def test_the_blind_is_kept_when_accepting(
    study: Any, lead: Any, actor_of: Any, outsider: Any, client_of: Any
) -> None:
    """Made pharmacist between being invited as experimenter and accepting."""
    made = invite(study, actor_of(lead), email=outsider.email)
    role_grant(
        study=study, user=outsider, role=Role.PHARMACIST, starts_on=today_in(study.timezone),
        actor=actor_of(lead),
    )  # fmt: skip
    page = reverse("own_invitation_accept", kwargs={"invitation": made.uid})
    refused = client_of(outsider).post(page)
    assert refused.status_code == 422
    assert "cannot hold a blinded role" in refused.content.decode()
    assert Invitation.objects.get().ended_at is None
    assert outsider.memberships.filter(study=study).count() == 1


def test_a_role_begins_when_it_is_accepted(study: Any, lead: Any, actor_of: Any) -> None:
    """Nobody had access before they accepted, whatever day the invitation names."""
    made = invite(study, actor_of(lead))
    with clock.travel(clock.now() + timedelta(days=3)):
        user = invitation_accept_new(
            invitation=made, turn=1, password=CHOSEN, actor=invitation_house()
        )
        assert user.memberships.get().starts_on == today_in(study.timezone) > made.starts_on
    later = today_in(study.timezone) + timedelta(days=30)
    user = accepted(study, actor_of(lead), email="later@lab.example", starts_on=later)
    assert user.memberships.get().starts_on == later


def test_days_that_are_over_are_refused(study: Any, lead: Any, actor_of: Any) -> None:
    made = invite(study, actor_of(lead), ends_on=today_in(study.timezone))
    with clock.travel(clock.now() + timedelta(days=2)), pytest.raises(Refused, match="are over"):
        invitation_accept_new(invitation=made, turn=1, password=CHOSEN, actor=invitation_house())
    assert not User.objects.filter(email=made.email).exists()


def test_a_closed_account_accepts_nothing(study: Any, lead: Any, actor_of: Any) -> None:
    person = make_user("Gone Away", is_active=False)
    made = invite(study, actor_of(lead), email=person.email)
    with pytest.raises(NotAllowed):
        invitation_accept(invitation=made, actor=actor_for(person, None))
    with pytest.raises(NotAllowed, match="Sign out first"):
        invitation_accept_new(invitation=made, turn=1, password=CHOSEN, actor=actor_of(lead))
    assert system_actor("x").is_system


@pytest.mark.shows("A-19")
def test_who_takes_a_role_accepts_the_written_rules_and_which_ones_is_kept(
    study: Any, lead: Any, outsider: Any, actor_of: Any, client_of: Any
) -> None:
    """A signature here binds like one by hand: nobody gets an account, or a further role, past that sentence."""
    binds = next(rule for rule in ACCOUNT_RULES if "binds you like one by hand" in rule)
    new = invite(study, actor_of(lead))
    page = Client().post(DOOR, {"token": secret_of(new)}).content.decode()
    assert binds in page
    assert Client().post(ACCEPT, {**answer(new), "own": ""}).status_code == 422
    assert Client().post(ACCEPT, answer(new)).status_code == 302
    known = invite(study, actor_of(lead), email=outsider.email)
    browser = client_of(outsider)
    assert binds in browser.get(reverse("own_invitations")).content.decode()
    browser.post(reverse("own_invitation_accept", args=[known.uid]))
    for made in (new, known):
        made.refresh_from_db()
        assert (made.ended_how, made.rules) == ("accepted", RULES_DIGEST)
    events = Event.objects.filter(action=Action.INVITATION_ACCEPTED)
    assert {event.data["rules"] for event in events} == {RULES_DIGEST}
    assert sha256("\n".join(ACCOUNT_RULES).encode()).hexdigest() == RULES_DIGEST
