"""Inviting somebody: who may, what is refused, how far an invitation is, and what its link opens."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import BLINDED_ROLES, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.models import Message
from studylab.outbox.services.sending import claim_due, send
from studylab.people.models import Invitation, User
from studylab.people.rules.invitations import OPEN_FOR, InvitationState
from studylab.people.selectors import today_in
from studylab.people.selectors.invitations import (
    invitation_address,
    invitation_of_secret,
    state_of,
)
from studylab.people.services.invitations import invitation_send_again, invitation_withdraw
from studylab.people.services.roles import role_end
from tests.cast import join, make_user
from tests.outbox.mail_server import Post, mail_server
from tests.outbox.test_sending import mail_to
from tests.people.inviting import day, invite, secret_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def url(name: str, study: Any, **kwargs: Any) -> str:
    return reverse(name, kwargs={"study": study.slug, **kwargs})


def form(study: Any, **changes: Any) -> dict[str, Any]:
    return {
        "name": "Nora Feldt", "email": "nora.feldt@lab.example", "identity": "known",
        "roles": ["experimenter", "monitor"],
        "starts_on": day(study), "ends_on": "", **changes,
    }  # fmt: skip


def test_without_mail_the_link_is_shown_once_and_stands_nowhere(
    client_of: Any, lead: Any, study: Any
) -> None:
    shown = client_of(lead).post(url("people_add", study), form(study))
    assert shown.status_code == 200
    assert shown["Cache-Control"] == "no-store"
    made = Invitation.objects.get()
    secret = secret_of(made)
    assert f"/invitation/#{secret}" in shown.content.decode()
    assert (made.roles, made.handed_over, made.sent_by) == (["experimenter", "monitor"], True, lead)
    assert not Message.objects.exists()
    listed = client_of(lead).get(url("people_invitations", study)).content.decode()
    assert "Link shown to Lev Okonjo" in listed
    assert secret not in listed
    rows = [*Invitation.objects.values(), *Event.objects.values()]
    assert secret not in str(rows)
    assert "nora.feldt@" not in str(list(Event.objects.values()))


@pytest.mark.slow
def test_with_mail_the_link_goes_out_and_is_shown_to_nobody(
    client_of: Any, lead: Any, study: Any, settings: Any
) -> None:
    post = Post()
    with mail_server(post) as port:
        mail_to(settings, port)
        answer = client_of(lead).post(url("people_add", study), form(study), follow=True)
        made = Invitation.objects.get()
        assert "on its way to nora.feldt@lab.example" in answer.content.decode()
        assert secret_of(made) not in answer.content.decode()
        for number in claim_due(clock.now()):
            send(number)
        listed = client_of(lead).get(url("people_invitations", study)).content.decode()
    message = Message.objects.get()
    assert (message.state, message.user, message.invitation) == ("sent", None, made), message.note
    assert post.recipients == [["nora.feldt@lab.example"]]
    mail = post.mails[0].decode().replace("=\r\n", "")
    assert invitation_address(made) in mail
    assert study.short_title not in mail
    assert "Mail: sent" in listed
    with pytest.raises(Refused, match="goes out by mail"):
        invitation_send_again(invitation=made, by_hand=True, actor=actor(lead, study))


def actor(user: Any, study: Any) -> Any:
    from studylab.people.selectors import actor_for

    return actor_for(user, study)


def test_where_a_mail_did_not_go_out_the_link_can_be_shown(
    lead: Any, study: Any, settings: Any, client_of: Any
) -> None:
    settings.SMTP_HOST = "127.0.0.1"
    made = invite(study, actor(lead, study))
    held = {"claim": uuid4(), "claimed_until": clock.now()}
    Message.objects.update(state="claimed", **held)
    Message.objects.update(state="sending")
    Message.objects.update(
        state="refused", note="550 5.1.1 No mailbox [address] here", claim=None, claimed_until=None
    )
    listed = client_of(lead).get(url("people_invitations", study)).content.decode()
    assert "No mailbox [address] here" in listed
    again = url("people_invitation_again", study, invitation=made.uid)
    shown = client_of(lead).post(again, {"by_hand": "1"})
    made.refresh_from_db()
    assert (made.turn, made.handed_over) == (2, True)
    assert secret_of(made) in shown.content.decode()


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        ({"name": "   "}, "name", "required"),
        ({"email": "no address"}, "email", "valid"),
        ({"roles": []}, "roles", "at least one role"),
        ({"roles": ["emperor"]}, "roles", "emperor"),
        ({"roles": ["pharmacist", "monitor"]}, "roles", "cannot hold a blinded role"),
        ({"starts_on": "5 January"}, "starts_on", "Enter a day"),
        ({"starts_on": -1}, "starts_on", "over already"),
        ({"starts_on": 9, "ends_on": 8}, "ends_on", "ends before it starts"),
    ],
)
def test_bad_input_names_the_field_and_keeps_what_was_typed(
    client_of: Any, lead: Any, study: Any, change: dict[str, Any], field: str, words: str
) -> None:
    """No generic account: name, address, role and first day are needed."""
    given = {key: day(study, value) if isinstance(value, int) else value for key, value in change.items()}  # fmt: skip
    answer = client_of(lead).post(url("people_add", study), form(study, **given))
    assert answer.status_code == 422
    assert words in " ".join(answer.context["form"].errors[field])
    if "email" not in change:
        assert "nora.feldt@lab.example" in answer.content.decode()
    assert not Invitation.objects.exists()


def test_whether_an_address_has_an_account_elsewhere_is_told_to_nobody(
    client_of: Any, lead: Any, outsider: Any, study: Any
) -> None:
    answers = [
        client_of(lead).post(url("people_add", study), form(study, email=email, name="Any Name"))
        for email in (outsider.email, "nobody.at.all@lab.example")
    ]
    assert [answer.status_code for answer in answers] == [200, 200]
    assert "Otis" not in answers[0].content.decode()
    assert not outsider.memberships.filter(study=study).exists()


@pytest.mark.parametrize("role", sorted(BLINDED_ROLES))
def test_the_blind_is_kept_when_inviting(
    study: Any, lead: Any, pharmacist: Any, actor_of: Any, role: Role
) -> None:
    with pytest.raises(Refused) as refusal:
        invite(study, actor_of(lead), email=pharmacist.email, roles=[role])
    assert (refusal.value.field, refusal.value.code) == ("roles", "membership_blind_kept")
    with pytest.raises(DatabaseError, match="invitation_blind_kept"), transaction.atomic():
        Invitation.objects.create(
            study=study, name="B", email="b@lab.example", roles=["pharmacist", role],
            starts_on="2026-01-01", invited_at=clock.now(), token_digest="x", sent_at=clock.now(),
            sent_by=lead, expires_at=clock.now() + OPEN_FOR,
        )  # fmt: skip


def test_who_has_the_role_already_or_is_invited_already(
    study: Any, lead: Any, coordinator: Any, actor_of: Any
) -> None:
    with pytest.raises(Conflict, match="already Coordinator"):
        invite(study, actor_of(lead), email=coordinator.email.upper(), roles=[Role.COORDINATOR])
    made = invite(study, actor_of(lead))
    with pytest.raises(Conflict, match="invited to this study already"):
        invite(study, actor_of(lead), email="Nora.Feldt@lab.example")
    invitation_withdraw(invitation=made, reason="Wrong address.", actor=actor_of(lead))
    assert state_of(invite(study, actor_of(lead))) is InvitationState.OPEN


def test_only_who_manages_people_invites_and_sees_invitations(
    study: Any, lead: Any, coordinator: Any, outsider: Any, actor_of: Any, client_of: Any
) -> None:
    made = invite(study, actor_of(lead))
    other = outsider.memberships.first().study
    boss = make_user("Bea Otherlead")
    join(boss, other, Role.LEAD)
    for person in (actor(coordinator, study), actor(boss, other)):
        with pytest.raises(NotAllowed):
            invite(study, person, email="another@lab.example")
        with pytest.raises(NotAllowed):
            invitation_send_again(invitation=made, actor=person)
        with pytest.raises(NotAllowed):
            invitation_withdraw(invitation=made, reason="x", actor=person)
    assert client_of(coordinator).get(url("people_invitations", study)).status_code == 403
    for name in ("people_invitation_again", "people_invitation_withdraw"):
        page = url(name, other, invitation=made.uid)
        assert client_of(boss).post(page, {"reason": "x"}).status_code == 404
    made.refresh_from_db()
    assert (made.turn, made.ended_at) == (1, None)


def test_a_link_opens_for_a_week_and_only_the_newest(study: Any, lead: Any, actor_of: Any) -> None:
    made = invite(study, actor_of(lead))
    first = secret_of(made)
    assert invitation_of_secret(first) == made
    with clock.travel(made.expires_at - timedelta(seconds=1)):
        assert invitation_of_secret(first) == made
    with clock.travel(made.expires_at):
        assert invitation_of_secret(first) is None
        assert state_of(made) is InvitationState.EXPIRED
        again = invitation_send_again(invitation=made, actor=actor_of(lead))
        assert invitation_of_secret(secret_of(again)) == made
        assert invitation_of_secret(first) is None
        assert again.expires_at == clock.now() + timedelta(days=7)
    assert invitation_of_secret("") is None
    assert invitation_of_secret(first[:-1] + "x") is None


def test_withdrawn_opens_nothing_and_stays_withdrawn(
    study: Any, lead: Any, actor_of: Any, client_of: Any
) -> None:
    made = invite(study, actor_of(lead))
    page = url("people_invitation_withdraw", study, invitation=made.uid)
    assert client_of(lead).post(page, {"reason": " "}).status_code == 422
    assert client_of(lead).post(page, {"reason": "Wrong person."}).status_code == 302
    assert Client().post(reverse("invitation"), {"token": secret_of(made)}).status_code == 422
    with pytest.raises(Conflict, match="has ended"):
        invitation_send_again(invitation=made, actor=actor_of(lead))
    event = Event.objects.get(action=Action.INVITATION_WITHDRAWN)
    assert (event.reason, event.data["person"]) == ("Wrong person.", "Nora Feldt")
    for change in ("ended_at = NULL, ended_how = '', ended_by_id = NULL, end_reason = ''", "expires_at = now() + '1 year'"):  # fmt: skip
        with (
            pytest.raises(DatabaseError, match="keeps what it says"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(f"UPDATE people_invitation SET {change}")


@pytest.mark.parametrize("column", ["email = 'x@lab.example'", "roles = '{lead}'", "name = 'X'"])
def test_an_invitation_keeps_what_it_says(
    study: Any, lead: Any, actor_of: Any, column: str
) -> None:
    invite(study, actor_of(lead))
    with (
        pytest.raises(DatabaseError, match="keeps what it says"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute(f"UPDATE people_invitation SET {column}")


def test_it_closes_with_the_right_of_whoever_invited(study: Any, lead: Any, actor_of: Any) -> None:
    second = make_user("Second Lead")
    join(second, study, Role.LEAD)
    made = invite(study, actor_of(second))
    role_end(membership=second.memberships.get(), reason="left", actor=actor_of(lead))
    made = Invitation.objects.get()
    assert state_of(made) is InvitationState.CLOSED
    assert Client().post(reverse("invitation"), {"token": secret_of(made)}).status_code == 422
    again = invitation_send_again(invitation=made, actor=actor_of(lead))
    assert (again.sent_by, state_of(again)) == (lead, InvitationState.OPEN)


def test_a_message_of_a_newer_link_takes_the_place_of_the_older(
    study: Any, lead: Any, actor_of: Any, settings: Any
) -> None:
    settings.SMTP_HOST = "127.0.0.1"
    made = invite(study, actor_of(lead))
    made = invitation_send_again(invitation=made, actor=actor_of(lead))
    assert list(Message.objects.order_by("pk").values_list("state", flat=True)) == ["dropped", "waiting"]  # fmt: skip
    invitation_withdraw(invitation=made, reason="x", actor=actor_of(lead))
    assert set(Message.objects.values_list("state", flat=True)) == {"dropped"}
    assert User.objects.filter(email=made.email).count() == 0
    assert made.starts_on == today_in(study.timezone)


@pytest.mark.shows("S-05")
def test_nobody_is_invited_to_sign_whose_identity_was_not_looked_at(
    client_of: Any, lead: Any, study: Any, actor_of: Any
) -> None:
    """Roles bring the right to sign: how whoever invites knows who it is stands with the invitation and on the trail."""
    page = url("people_add", study)
    refused = client_of(lead).post(page, form(study, identity=""))
    assert refused.status_code == 422
    assert "Say how you know who this is." in refused.content.decode()
    for identity in ("", "not_asked", "guessed"):
        with pytest.raises(Refused, match="how you know who this is"):
            invite(study, actor_of(lead), identity=identity)
    made = invite(study, actor_of(lead), identity="document")
    assert Event.objects.get(action=Action.INVITED).data["identity"] == "document"
    shown = client_of(lead).get(url("people_invitations", study)).content.decode()
    assert "I saw an identity document" in shown
    with pytest.raises(Exception, match="keeps what it says"), transaction.atomic():
        Invitation.objects.filter(pk=made.pk).update(identity="known")
