"""Every address against every role: open exactly to those whose role has the capability, never broken."""

from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import resolve

from studylab import clock
from studylab.access import ROLE_CAPS, Cap, Role
from studylab.audit.models import Event, RowChange
from tests.access.world import NOWHERE, Page, World, addresses, pages
from tests.cast import actor_of, make_study, make_user

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
FREE = {Cap.ANYONE, Cap.SIGNED_IN}
OUTSIDE = FREE | {Cap.LINK_HOLDER, Cap.ACCOUNTS_MANAGE}  # pages that stand below no study
NOT_OPEN = 403
NOT_SO = 405  # the method is refused, whatever the address names
NOT_THERE = {404, NOT_SO}
FINE = {200, 204, 301, 302, 304, 400, 404, 405, 409, 422}


@pytest.fixture
def world(middle: World) -> World:
    """The study whose addresses are asked."""
    return middle


def client_for(user: Any) -> Client:
    client = Client()
    client.force_login(user)
    return client


def ask(client: Client, method: str, address: str, *, part: bool = False) -> int | str:
    """Return the status, or the name of what broke. A `part` is asked for as scripts of a page do."""
    headers = {"hx-request": "true"} if part else {}
    try:
        with transaction.atomic():
            status: int = getattr(client, method)(address, headers=headers).status_code
            transaction.set_rollback(True)  # the next page finds the study as it was
    except Exception as problem:  # noqa: BLE001  (whatever it is, it is listed with its address)
        return f"{type(problem).__name__}: {problem}"
    return status


def refusals(
    client: Client, method: str, asked: list[tuple[Page, str]], *expected: int
) -> list[tuple[str | None, str, int | str]]:
    """Return what is not refused as expected of addresses asked for: the first as a page, the others as parts of one.

    The frame round a refusal is many times the work of refusing, and has been seen with the first.
    """
    return [
        (page.name, address, status)
        for turn, (page, address) in enumerate(asked)
        if (status := ask(client, method, address, part=turn > 0)) not in expected
    ]


def able(page: Page) -> list[Role]:
    """The roles to which the page is open."""
    return [role for role in Role if page.cap in FREE or page.cap in ROLE_CAPS[role]]


def in_turn(fillings: list[str], turn: int) -> list[str]:
    """The last filling, which names nothing that is there, then those that do, for each role from another one on."""
    last = fillings[-1]
    others = [one for one in named(fillings) if one != last]
    begin = turn % len(others) if others else 0
    return [last, *others[begin:], *others[:begin]]


def named(fillings: list[str]) -> list[str]:
    """The fillings that name what is there; the first where none does."""
    return [one for one in fillings if str(NOWHERE) not in one] or fillings[:1]


def written() -> tuple[int, int]:
    """How many acts and changed rows there are."""
    return Event.objects.count(), RowChange.objects.count()


@pytest.mark.shows("A-11")
def test_every_address_has_a_name_and_a_capability() -> None:
    found = pages()
    assert len(found) >= 95
    assert [page.route for page in found if not page.name] == []
    assert [page.route for page in found if not isinstance(page.cap, Cap)] == []


def test_what_needs_a_role_stands_below_a_study() -> None:
    for page in pages():
        assert page.in_study == (page.cap not in OUTSIDE), page.route


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize("role", list(Role))
@pytest.mark.shows("A-11", "B-02", "D-01", "V-3.5.3", "V-8.2.1", "V-8.3.1")
def test_open_exactly_to_the_roles_that_have_the_capability(
    world: World, role: Role, method: str
) -> None:
    """Were every object unknown, only "not found" would be seen: so most pages of a role must be there."""
    client, wrong, closed, asked, there = client_for(world.people[role]), [], [], 0, set()
    with clock.travel(world.now):
        before = written()
        for page in pages():
            if page.name == "sign_out" or (page.name, method) == ("link_door", "post"):
                continue  # ends the sign-in of this test; refuses without a link (tests/selfreport)
            fillings, roles = addresses(page, world), able(page)
            if role not in roles:
                closed.append((page, fillings[0]))  # refused before anything is looked up
                continue
            # Two objects of each page that are there are enough: its own tests know its other states.
            wanted, seen = (2 if len(roles) == 1 else 1), 0
            for address in in_turn(fillings, roles.index(role)):
                # Of what is not there the refusal alone matters, as in `refusals`.
                status = ask(client, method, address, part=str(NOWHERE) in address)
                asked += 1
                if status not in FINE:
                    wrong.append((page.name, address, status))
                if status == 200:
                    there.add(page.name)
                seen += status not in NOT_THERE
                if seen == wanted or status == NOT_SO:
                    break
        assert refusals(client, method, closed, NOT_OPEN) == []
    assert asked + len(closed) > 150
    assert wrong == []
    assert method == "post" or written() == before, "opening an address changed something"
    assert method == "post" or len(there) >= 20, there


@pytest.mark.parametrize("method", ["get", "post"])
def test_somebody_not_signed_in_is_asked_to(world: World, method: str) -> None:
    client, wrong = Client(), []
    for page in pages():
        for address in addresses(page, world)[:1]:
            answer = getattr(client, method)(address)
            if page.cap == Cap.ANYONE:
                right = answer.status_code < 500
            elif page.cap == Cap.LINK_HOLDER:
                right = answer.status_code == NOT_OPEN
            else:
                right = answer.status_code == 302 and answer["Location"].startswith(
                    "/sign-in/?next="
                )
            if not right:
                wrong.append((page.name, address, answer.status_code))
    assert wrong == []


@pytest.mark.parametrize("method", ["get", "post"])
def test_a_personal_link_opens_its_own_pages_and_no_other(world: World, method: str) -> None:
    """A volunteer has no account: pages of the staff send them to sign in, whatever link they hold."""
    from tests.selfreport.phone import make

    coordinator = world.people[Role.COORDINATOR]
    client, wrong, behind = Client(), [], 0
    with clock.travel(world.now), transaction.atomic():
        made = make(actor_of(coordinator, world.study), world.participants[-1])
        client.post("/my/", {"token": made.token})
        for page in pages():
            if page.name == "link_leave":
                continue  # the device would forget its link
            for address in addresses(page, world)[:1]:
                status = ask(client, method, address)
                if page.cap == Cap.LINK_HOLDER:
                    own = resolve(address).func.link_purpose == "questions"  # type: ignore[attr-defined]
                    behind += own
                    right = status in FINE if own else status == NOT_OPEN
                else:
                    right = status == 302 or (
                        page.cap == Cap.ANYONE
                        and status
                        in (
                            (404, 405) if page.name in ("feed", "metrics") else (200, 403, 405, 422)
                        )
                    )
                if not right:
                    wrong.append((page.name, address, status))
        transaction.set_rollback(True)
    assert behind >= 6
    assert wrong == []


@pytest.mark.parametrize("method", ["get", "post"])
def test_somebody_of_another_study_finds_nothing(world: World, method: str) -> None:
    from tests.cast import join

    outsider, other = make_user("Otis Brandt"), make_study(slug="other-study", prefix="OT")
    for role in (Role.COORDINATOR, Role.CLINICIAN, Role.LEAD):
        join(outsider, other, role)
    asked = [(page, address) for page in study_pages() for address in named(addresses(page, world))]
    assert refusals(client_for(outsider), method, asked, 404) == []


def study_pages() -> list[Page]:
    return [page for page in pages() if page.in_study]
