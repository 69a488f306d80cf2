"""Who administers accounts: a further one is made with a password, ends by another one's, and one always stays."""

from threading import Barrier, Thread
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.test import Client
from django.urls import reverse

from studylab.access import Cap, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused, StudylabError
from studylab.outbox.compose import compose
from studylab.outbox.models import Message
from studylab.people.models import User
from studylab.people.selectors import actor_for
from studylab.people.selectors.accounts import password_link_address
from studylab.people.services.account_admins import account_admin_add, account_admin_end
from studylab.people.services.account_care import account_close
from studylab.people.services.roles import role_end
from tests.cast import PASSWORD, actor_of, make_user
from tests.people.inviting import CHOSEN

ADD = reverse("account_admin_add")
NEW = {"name": "Orla Brand", "email": "orla.brand@lab.example", "reason": "A second one.", "password": PASSWORD}  # fmt: skip


@pytest.fixture
def admin(db: Any) -> User:
    """An administrator of accounts."""
    return make_user("Ada Winther", is_account_admin=True)


def end_page(user: User) -> str:
    return reverse("account_admin_end", kwargs={"account": user.pk})


def admins() -> set[str]:
    return set(User.objects.filter(is_account_admin=True).values_list("name", flat=True))


@pytest.mark.django_db
@pytest.mark.database
class TestMaking:
    @pytest.mark.shows("A-12")
    def test_somebody_new_chooses_a_password_that_nobody_else_knows(
        self, admin: User, client_of: Any, settings: Any
    ) -> None:
        settings.SMTP_HOST, settings.MAIL_FROM = "mail.lab.example", "lab@lab.example"
        office = client_of(admin)
        assert "only administrator" in office.get(reverse("accounts")).content.decode()
        assert office.post(ADD, NEW).status_code == 302
        made = User.objects.get(email="orla.brand@lab.example")
        assert (made.is_account_admin, made.has_usable_password()) == (True, False)
        assert Client().post(reverse("sign_in"), {"username": made.email, "password": ""}).status_code == 422  # fmt: skip
        event = Event.objects.get(action=Action.ACCOUNT_ADMIN_MADE)
        assert (event.actor_id, event.reason, event.data["new_account"]) == (admin.pk, "A second one.", True)  # fmt: skip
        texts = {(one.kind, one.user_id): compose(one).text for one in Message.objects.all()}
        assert password_link_address(made) in texts["password_link", made.pk]
        assert "You look after the accounts" in texts["account_changed", made.pk]
        assert "Orla Brand was made" in texts["account_changed", admin.pk]
        token = password_link_address(made).rpartition("#")[2]
        sent = {"token": token, "password1": CHOSEN, "password2": CHOSEN}
        assert Client().post(reverse("password_new"), sent).status_code == 302
        page = client_of(made).get(reverse("accounts")).content.decode()
        assert "only administrator" not in page

    def test_without_mail_whoever_runs_the_server_prints_the_link(
        self, admin: User, client_of: Any
    ) -> None:
        page = client_of(admin).post(ADD, NEW, follow=True).content.decode()
        assert "password_link orla.brand@lab.example" in page
        assert not Message.objects.exists()

    def test_who_has_an_account_keeps_it_and_must_hold_no_role(
        self, admin: User, client_of: Any, study: Any, lead: Any, experimenter: Any
    ) -> None:
        office, sent = client_of(admin), NEW | {"name": "", "email": experimenter.email.upper()}
        refused = office.post(ADD, sent)
        assert refused.status_code == 422
        assert "End the roles first" in refused.content.decode()
        role_end(membership=experimenter.memberships.get(), ends_on=None, reason="Moves on.", actor=actor_of(lead, study))  # fmt: skip
        signed_in = client_of(experimenter)
        assert office.post(ADD, sent).status_code == 302
        assert (
            signed_in.get(reverse("my_sign_in")).status_code == 302
        )  # signed out: another one now
        experimenter.refresh_from_db()
        assert experimenter.check_password(PASSWORD)
        assert actor_for(experimenter, None).may(Cap.ACCOUNTS_MANAGE)
        assert "administers accounts already" in office.post(ADD, sent).content.decode()

    @pytest.mark.parametrize(
        ("change", "said"),
        [({"password": "wrong"}, "not your password"), ({"email": "orla"}, "complete e-mail address"),
         ({"name": " "}, "full name"), ({"reason": ""}, "required")],
    )  # fmt: skip
    def test_a_slip_makes_nobody(
        self, admin: User, client_of: Any, change: dict[str, str], said: str
    ) -> None:
        answer = client_of(admin).post(ADD, NEW | change)
        assert answer.status_code == 422
        assert said in answer.content.decode()
        assert admins() == {admin.name}

    @pytest.mark.parametrize("role", list(Role))
    def test_nobody_of_a_study_makes_one(self, study: Any, client_of: Any, role: Role) -> None:
        somebody = make_user("Some Body")
        from tests.cast import join

        join(somebody, study, role)
        assert client_of(somebody).post(ADD, NEW).status_code == 403
        with pytest.raises(NotAllowed):
            account_admin_add(**NEW, actor=actor_of(somebody, study))


@pytest.mark.django_db
@pytest.mark.database
class TestEnding:
    def test_another_one_ends_it_and_the_account_stays(self, admin: User, client_of: Any) -> None:
        other = make_user("Orla Brand", is_account_admin=True)
        leaving = client_of(other)
        data = {"reason": "Changes the job.", "password": PASSWORD}
        assert client_of(admin).post(end_page(other), data | {"password": "no"}).status_code == 422
        assert client_of(admin).post(end_page(other), data).status_code == 302
        assert admins() == {admin.name}
        assert leaving.get(reverse("my_sign_in")).status_code == 302
        event = Event.objects.get(action=Action.ACCOUNT_ADMIN_ENDED)
        assert (event.actor_id, event.reason) == (admin.pk, "Changes the job.")
        other.refresh_from_db()
        assert other.is_active
        with pytest.raises(NotAllowed):
            account_admin_end(user=admin, **data, actor=actor_for(other, None))

    def test_nobody_ends_themselves_and_the_last_one_stays(
        self, admin: User, client_of: Any
    ) -> None:
        data = {"reason": "Enough.", "password": PASSWORD}
        answer = client_of(admin).post(end_page(admin), data)
        assert answer.status_code == 422
        assert "Another administrator" in answer.content.decode()
        for change in ({"is_account_admin": False}, {"is_active": False}):
            with pytest.raises(DatabaseError, match="last administrator"), transaction.atomic():
                User.objects.filter(pk=admin.pk).update(**change)
        make_user(
            "Orla Brand", is_account_admin=True, is_active=False
        )  # cannot sign in: counts for nothing
        with pytest.raises(DatabaseError, match="last administrator"), transaction.atomic():
            User.objects.filter(pk=admin.pk).update(is_active=False)


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("second", ["end", "close"])
def test_two_who_end_each_other_at_once_leave_one(second: str) -> None:
    pair = [make_user(name, is_account_admin=True) for name in ("Ada Winther", "Orla Brand")]
    together, refused = Barrier(2), []

    def act(me: User, other: User, close: bool) -> None:
        actor = actor_for(me, None)
        together.wait()
        try:
            if close:
                account_close(user=other, reason="Out.", actor=actor)
            else:
                account_admin_end(user=other, reason="Out.", password=PASSWORD, actor=actor)
        except StudylabError as refusal:
            refused.append(refusal)
        finally:
            connection.close()

    threads = [Thread(target=act, args=(pair[0], pair[1], False)), Thread(target=act, args=(pair[1], pair[0], second == "close"))]  # fmt: skip
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert User.objects.filter(is_account_admin=True, is_active=True).count() == 1
    assert len(refused) == 1
    assert isinstance(refused[0], (NotAllowed, Refused))
