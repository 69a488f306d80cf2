"""Somebody who looks after accounts and has no role: no study is there, and of the site only what is meant for them."""

import pytest
from django.urls import reverse

from studylab import clock
from studylab.access import Cap, Role
from tests.access.test_matrix import ask, client_for, refusals, study_pages
from tests.access.world import World, addresses, pages
from tests.cast import make_user

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
# What opens to them on the site; the rest of it are parts, acts, and addresses that name nothing of theirs.
OPEN = {
    "home_site", "accounts", "account_admin_add", "study_new", "site_status", "site_validation", "second_step_reset", "own_invitations",
    "my_sign_in", "totp_add", "recovery_renew", "sign_ins", "password_change", "help_site", "about", "bells",
}  # fmt: skip
BY_NUMBER = {
    "account_off",
    "account_on",
    "account_password",
    "account_admin_end",
}  # of an account that is there
NOTHING_HERE = {302, 404, 405}


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.shows("A-11")
def test_no_study_is_there(middle: World, method: str) -> None:
    client = client_for(make_user("Ada Winther", is_account_admin=True))
    with clock.travel(middle.now):
        asked = [(page, addresses(page, middle)[0]) for page in study_pages()]
        assert refusals(client, method, asked, 404) == []


@pytest.mark.shows("A-11")
def test_of_the_site_opens_only_what_is_meant_for_them(middle: World) -> None:
    """What needs no sign-in opens to everybody and is not asked for here."""
    client, opened, wrong = client_for(make_user("Ada Winther", is_account_admin=True)), set(), []
    somebody = middle.people[Role.LEAD].pk
    with clock.travel(middle.now):
        for page in pages():
            if page.in_study or page.cap == Cap.ANYONE:
                continue
            there = [reverse(page.name, args=[somebody])] if page.name in BY_NUMBER else []
            for address in there or addresses(page, middle):
                status = ask(client, "get", address)
                if status == 200:
                    opened.add(page.name)
                elif status not in ({403} if page.cap == Cap.LINK_HOLDER else NOTHING_HERE):
                    wrong.append((page.name, address, status))
    assert wrong == []
    assert opened - {"bells_locked"} == OPEN | BY_NUMBER
