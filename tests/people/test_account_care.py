"""Whoever looks after accounts: switches them off and on, sends links, and neither signs nor opens anything of a study."""

from datetime import timedelta
from io import StringIO
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from django.core.management import CommandError, call_command
from django.db import DatabaseError, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import Cap, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.outbox.compose import compose
from studylab.outbox.models import Message
from studylab.people.models import Invitation, User
from studylab.people.selectors import actor_for, today_in
from studylab.people.selectors.accounts import password_link_address, user_of_password_link
from studylab.people.services.account_care import account_close, account_open, password_link_send
from studylab.people.services.invitation_answers import invitation_accept
from studylab.people.services.invitations import invitation_make
from studylab.people.services.roles import role_end, role_grant
from studylab.people.services.signatures import check_password
from tests.cast import PASSWORD, actor_of, join, make_study, make_user
from tests.people.inviting import CHOSEN, day, invite

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def admin(db: Any) -> User:
    """An administrator of accounts."""
    return make_user("Ada Winther", is_account_admin=True)


def page(name: str, user: User) -> str:
    return reverse(name, kwargs={"account": user.pk})


@pytest.mark.shows("A-12", "V-7.4.2", "V-7.4.5")
def test_switched_off_is_signed_out_at_once_and_stays_out(
    admin: User, study: Any, clinician: Any, client_of: Any
) -> None:
    working, office = client_of(clinician), client_of(admin)
    assert working.get(reverse("people", args=[study.slug])).status_code == 200
    assert office.post(page("account_off", clinician), {"reason": ""}).status_code == 422
    assert office.post(page("account_off", clinician), {"reason": "Lost phone."}).status_code == 302
    assert working.get(reverse("people", args=[study.slug]))["Location"].startswith("/sign-in/")
    sign_in = {"username": clinician.email, "password": PASSWORD}
    assert Client().post(reverse("sign_in"), sign_in).status_code == 422
    event = Event.objects.get(action=Action.ACCOUNT_CLOSED)
    assert (event.actor_id, event.reason, event.study_id) == (admin.pk, "Lost phone.", None)
    with pytest.raises(Conflict, match="off already"):
        account_close(user=clinician, reason="x", actor=actor_for(admin, None))
    assert office.post(page("account_on", clinician), {"reason": "Found."}).status_code == 302
    assert Client().post(reverse("sign_in"), sign_in).status_code == 302
    with pytest.raises(Conflict, match="on already"):
        account_open(user=clinician, reason="x", actor=actor_for(admin, None))


def test_the_list_says_names_and_studies_and_nothing_else_of_a_study(
    admin: User, study: Any, lead: Any, client_of: Any
) -> None:
    make_user("Rolla None")
    Authenticator.objects.create(user=lead, type="webauthn", data={})
    Authenticator.objects.create(user=lead, type="recovery_codes", data={})
    text = client_of(admin).get(reverse("accounts")).content.decode()
    for words in (lead.email, study.short_title, "no role left", "passkey", "password alone"):
        assert words in text, words
    assert text.count("Lost second step") == 1
    assert "Study lead" not in text
    assert client_of(lead).get(reverse("accounts")).status_code == 403
    assert client_of(lead).post(page("account_off", admin), {"reason": "x"}).status_code == 403
    assert Client().get(reverse("accounts")).status_code == 302


@pytest.mark.shows("A-12")
def test_account_administration_neither_signs_nor_holds_a_role(
    admin: User, study: Any, lead: Any, actor_of: Any
) -> None:
    me = actor_for(admin, study)
    assert me.caps == {Cap.ACCOUNTS_MANAGE}
    with pytest.raises(NotAllowed, match="signs nothing"):
        check_password(actor=me, password=PASSWORD, subject_type="x", subject_code="y")
    for who in (me, actor_of(lead)):
        with pytest.raises((NotAllowed, Refused)):
            role_grant(study=study, user=admin, role=Role.MONITOR, starts_on=today_in(study.timezone), actor=who)  # fmt: skip
    made = invite(study, actor_of(lead), email=admin.email)
    with pytest.raises(Refused, match="holds no role"):
        invitation_accept(invitation=made, actor=me)
    with pytest.raises(DatabaseError, match="holds no role in a study"), transaction.atomic():
        join(admin, study, Role.MONITOR)
    with pytest.raises(DatabaseError, match="does not administer accounts"), transaction.atomic():
        User.objects.filter(pk=lead.pk).update(is_account_admin=True)


def test_a_lead_is_invited_where_there_is_none_and_nobody_else_anywhere(
    admin: User, study: Any, lead: Any, client_of: Any
) -> None:
    me, office = actor_for(admin, None), client_of(admin)
    other = make_study(slug="other-study", prefix="OT")
    given = {"name": "Nora Feldt", "email": "nora@lab.example", "identity": "document", "starts_on": today_in(study.timezone)}  # fmt: skip
    for where, roles in ((study, [Role.LEAD]), (other, [Role.CLINICIAN]), (other, [Role.LEAD, Role.CLINICIAN])):  # fmt: skip
        with pytest.raises(NotAllowed):
            invitation_make(study=where, roles=roles, actor=me, **given)
    there, here = (reverse("lead_invite", kwargs={"of": one.slug}) for one in (study, other))
    assert office.get(there).status_code == 404
    assert other.short_title in office.get(reverse("accounts")).content.decode()
    form = {
        "name": "Nora Feldt",
        "email": "nora@lab.example",
        "identity": "document",
        "starts_on": day(other),
    }
    assert office.post(here, {**form, "email": "none"}).status_code == 422
    assert office.post(here, form).status_code == 200
    made = Invitation.objects.get()
    assert (made.study, made.roles, made.sent_by) == (other, ["lead"], admin)
    assert office.post(here, {**form, "email": admin.email}).status_code == 200
    with pytest.raises(Refused):
        invitation_accept(invitation=Invitation.objects.get(email=admin.email), actor=me)


def test_a_link_for_a_new_password_goes_by_mail_only_and_opens_once(
    admin: User, study: Any, clinician: Any, client_of: Any, settings: Any
) -> None:
    office, sent = client_of(admin), {"reason": "Forgot it; called back on the number we know."}
    refused = office.post(page("account_password", clinician), sent)
    assert refused.status_code == 422
    assert "Mail is off" in refused.content.decode()
    working = client_of(clinician)
    settings.SMTP_HOST = "127.0.0.1"
    answer = office.post(page("account_password", clinician), sent, follow=True)
    assert "on its way" in answer.content.decode()
    message = Message.objects.get()
    address = password_link_address(clinician)
    assert address not in answer.content.decode()
    mail = compose(message)
    assert (mail.to, address in mail.text) == (clinician.email, True)
    secret = address.partition("#")[2]
    client = Client()
    assert client.get(reverse("password_new")).status_code == 200
    form = {"token": address, "password1": CHOSEN, "password2": CHOSEN}
    short = client.post(reverse("password_new"), {**form, "password1": "short", "password2": "short"})  # fmt: skip
    assert short.status_code == 422
    assert client.post(reverse("password_new"), form)["Location"] == reverse("sign_in")
    assert User.objects.get(pk=clinician.pk).check_password(CHOSEN)
    assert working.get(reverse("people", args=[study.slug])).status_code == 302
    assert user_of_password_link(secret) is None
    again = client.post(reverse("password_new"), {**form, "password1": CHOSEN + "!", "password2": CHOSEN + "!"})  # fmt: skip
    assert again.status_code == 409
    assert "does not open" in " ".join(again.context["form"].errors["token"])


@pytest.mark.parametrize("token", ["", "1", "-", "nonsense", "1-abc", "999999999-a-b", "x" * 200])
def test_a_wrong_link_opens_nothing(clinician: Any, token: str) -> None:
    assert user_of_password_link(token) is None


def test_a_link_for_a_new_password_is_good_for_a_day(clinician: Any, lead: Any) -> None:
    secret = password_link_address(clinician).partition("#")[2]
    assert user_of_password_link(secret) == clinician
    assert user_of_password_link(secret.replace(f"{clinician.pk}-", f"{lead.pk}-", 1)) is None
    with clock.travel(clock.now() + timedelta(hours=24, minutes=1)):
        assert user_of_password_link(secret) is None
    User.objects.filter(pk=clinician.pk).update(is_active=False)
    assert user_of_password_link(secret) is None


def test_nobody_does_it_to_themselves_or_without_the_right(
    admin: User, lead: Any, clinician: Any, study: Any
) -> None:
    for act in (account_close, account_open, password_link_send):
        with pytest.raises(Refused, match="Another administrator"):
            act(user=admin, reason="x", actor=actor_for(admin, None))
        with pytest.raises(NotAllowed):
            act(user=clinician, reason="x", actor=actor_of(lead, study))
    assert User.objects.filter(is_active=False).count() == 0
    role_end(membership=clinician.memberships.get(), reason="left", actor=actor_of(lead, study))


def test_whoever_runs_the_server_can_print_a_link(clinician: Any) -> None:
    out = StringIO()
    call_command("password_link", clinician.email.upper(), stdout=out)
    assert password_link_address(clinician) in out.getvalue()
    assert Event.objects.get(action=Action.PASSWORD_LINK_SENT).data["person"] == clinician.name
    with pytest.raises(CommandError):
        call_command("password_link", "nobody@lab.example")
