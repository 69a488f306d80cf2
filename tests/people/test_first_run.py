"""The first run: one code, one account, once."""

import threading
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.access import system_actor
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import FirstAccount, SetUpCode, User
from studylab.people.rules.first_run import SIGNS, code_digest, set_up_code
from studylab.people.services.first_run import first_account_make, set_up_code_make
from tests import cast

HOUSE = system_actor("test")
PAGE = "/first-run/"


def asked(code: str, **other: str) -> dict[str, str]:
    known = {
        "code": code, "name": "Lev Okonjo", "email": "lev@lab.example", "password1": cast.PASSWORD,
        "password2": cast.PASSWORD,
    }  # fmt: skip
    return known | other


def first(code: str) -> User:
    return first_account_make(
        code=code, name="Lev Okonjo", email="lev@lab.example", password=cast.PASSWORD, actor=HOUSE
    )


def printed(capsys: Any) -> str:
    call_command("first_run")
    return str(capsys.readouterr().out).splitlines()[0].removeprefix("Set-up code: ")


class TestCode:
    def test_a_code_is_long_enough_and_typed_loosely(self) -> None:
        code = set_up_code(lambda signs: signs[5])
        assert code == "-".join(["7777"] * 6)
        assert len(SIGNS) ** 24 > 2**118
        assert code_digest("ab2c-d3ef") == code_digest(" AB2CD3EF ") != code_digest("AB2CD3EG")


@pytest.mark.django_db
class TestPages:
    def test_an_empty_site_leads_to_the_first_run_and_lets_in_once(
        self, client: Client, capsys: Any
    ) -> None:
        assert client.get("/", follow=True).redirect_chain[-1][0] == PAGE
        code = printed(capsys)
        answer = client.post(PAGE, asked(code.lower().replace("-", " ")), follow=True)
        user = User.objects.get()
        assert (user.is_account_admin, user.must_change_password) == (True, False)
        assert answer.context["user"] == user
        assert FirstAccount.objects.get().user == user
        stranger = Client()
        assert stranger.get(PAGE).headers["Location"] == reverse("sign_in")
        assert stranger.get("/sign-in/").status_code == 200
        assert stranger.post(PAGE, asked(code, email="other@lab.example")).status_code == 302
        assert User.objects.count() == 1

    def test_a_wrong_code_keeps_what_was_typed(self, client: Client, capsys: Any) -> None:
        printed(capsys)
        answer = client.post(PAGE, asked("ABCD-EFGH", password2="another one that differs"))
        assert "The two passwords differ" in answer.content.decode()
        answer = client.post(PAGE, asked("ABCD-EFGH"))
        page = answer.content.decode()
        assert answer.status_code == 422
        assert "manage.py first_run" in page
        assert 'value="Lev Okonjo"' in page
        assert cast.PASSWORD not in page
        assert not User.objects.exists()

    def test_the_trail_tells_it_and_not_the_code(self, client: Client, capsys: Any) -> None:
        code = printed(capsys)
        client.post(PAGE, asked(code))
        actions = list(Event.objects.order_by("id").values_list("action", flat=True))
        assert actions[:2] == ["site.set_up_code_made", "site.first_account_made"]
        assert code not in repr(list(Event.objects.values())) + repr(list(SetUpCode.objects.values()))  # fmt: skip


@pytest.mark.django_db
class TestRefused:
    def test_only_the_newest_code_counts_and_for_a_day(self) -> None:
        old, new = set_up_code_make(actor=HOUSE), set_up_code_make(actor=HOUSE)
        with pytest.raises(Refused, match="newest set-up code"):
            first(old)
        with (
            clock.travel(clock.now() + timedelta(hours=25)),
            pytest.raises(Refused, match="older than a day"),
        ):
            first(new)
        assert first(new).is_account_admin

    def test_a_short_password_is_refused_at_its_field(self) -> None:
        code = set_up_code_make(actor=HOUSE)
        with pytest.raises(Refused) as refusal:
            first_account_make(
                code=code, name="Lev", email="lev@lab.example", password="short", actor=HOUSE
            )
        assert refusal.value.field == "password1"

    def test_no_code_once_somebody_has_an_account(self, study: Any, lead: Any) -> None:
        with pytest.raises(CommandError, match="set up already"):
            call_command("first_run")
        with pytest.raises(NotAllowed):
            set_up_code_make(actor=cast.actor_of(lead, study))
        SetUpCode.objects.create(digest=code_digest("AAAA"), made_at=clock.now())
        with pytest.raises(Conflict, match="set up already"):
            first("AAAA")

    @pytest.mark.database
    def test_the_database_refuses_a_first_account_beside_others(self, lead: Any) -> None:
        code = SetUpCode.objects.create(digest="x", made_at=clock.now())
        late = cast.make_user("Somebody Late")
        with pytest.raises(IntegrityError, match="set up already"), transaction.atomic():
            FirstAccount.objects.create(user=late, code=code, made_at=clock.now())
        with pytest.raises(IntegrityError), transaction.atomic():
            FirstAccount.objects.create(id=2, user=late, code=code, made_at=clock.now())


@pytest.mark.database
@pytest.mark.django_db(transaction=True)
def test_two_browsers_at_once_make_one_account() -> None:
    code, ends = set_up_code_make(actor=HOUSE), []
    start = threading.Barrier(2)

    def take(number: int) -> None:
        start.wait()
        try:
            first_account_make(
                code=code, name=f"Person {number}", email=f"p{number}@lab.example",
                password=cast.PASSWORD, actor=HOUSE,
            )  # fmt: skip
            ends.append("made")
        except Conflict:
            ends.append("refused")
        finally:
            connection.close()

    threads = [threading.Thread(target=take, args=(number,)) for number in (1, 2)]
    for one in threads:
        one.start()
    for one in threads:
        one.join()
    assert sorted(ends) == ["made", "refused"]
    assert User.objects.count() == 1
