"""What belongs to one study is not there in another: every address that names an object, every role, nothing written."""

import pytest
from django.db import connection

from studylab import clock
from studylab.access import ROLE_CAPS, UNBLINDED_ROLES, Role
from tests.access.foreign import (
    NAMES_NO_OBJECT,
    WANTS_MORE,
    WITH_OBJECT,
    Apart,
    fillings,
    names_no_object,
    varies,
)
from tests.access.test_matrix import ask, client_for, refusals
from tests.access.world import Page, address_of, pages

pytestmark = [pytest.mark.django_db, pytest.mark.slow]
NOT_THERE, NOT_SO = 404, 405
# Each kind of long work asks for a capability of its own before it looks for the work.
ALSO = {"set_up_running_stop": {403}, "set_up_running_again": {403}}
# Written by every request of somebody signed in: when they were last seen.
SEEN = {"people_signin", "django_session"}


def asked_pages() -> list[Page]:
    return [page for page in pages() if varies(page) and not names_no_object(page)]


def written() -> dict[str, tuple[int, ...]]:
    """How many rows of each table this transaction added, changed and took away so far, undone ones included."""
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT relname, n_tup_ins, n_tup_upd, n_tup_del FROM pg_stat_xact_user_tables"
        )
        return {name: tuple(counts) for name, *counts in cursor.fetchall() if name not in SEEN}


def test_every_address_with_an_object_has_one_to_ask_for(apart: Apart) -> None:
    """A new route fails here until `UIDS` (world.py) or `_known` (foreign.py) knows an object for it."""
    unknown = [page.below_study for page in asked_pages() if not list(fillings(page, apart))]
    assert unknown == []
    routes = {page.below_study for page in pages() if varies(page)}
    assert {
        start for start in NAMES_NO_OBJECT if not any(r.startswith(start) for r in routes)
    } == set()
    assert routes >= WITH_OBJECT


@pytest.mark.parametrize("method", ["get", "post"])
@pytest.mark.parametrize("role", list(Role))
@pytest.mark.shows("A-11", "V-8.2.2")
def test_an_object_of_another_study_is_not_there(apart: Apart, role: Role, method: str) -> None:
    """Pages that the role may not open are refused before anything is looked up (test_matrix.py)."""
    client, wrong, asked = client_for(apart.people[role]), [], 0
    with clock.travel(apart.world.now):
        before = written()
        for page in asked_pages():
            if page.cap not in ROLE_CAPS[role]:
                continue
            right = {NOT_THERE, NOT_SO, *ALSO.get(page.name or "", ())}
            addresses = [
                (page, address_of(page, apart.study, one)) for one in fillings(page, apart)
            ]
            asked += len(addresses)
            wrong += refusals(client, method, addresses, *right)
        after = written()
    assert asked >= (15 if role in UNBLINDED_ROLES else 30)
    assert wrong == []
    assert {name: now for name, now in after.items() if now != before.get(name, (0, 0, 0))} == {}


def test_the_same_objects_are_there_in_their_own_study(apart: Apart) -> None:
    """Otherwise "not found" above would show nothing."""
    clients = {role: client_for(user) for role, user in apart.world.people.items()}
    there, nowhere = set(), []
    with clock.travel(apart.world.now):
        for page in asked_pages():
            able = [client for role, client in clients.items() if page.cap in ROLE_CAPS[role]]
            client = clients[Role.LEAD] if clients[Role.LEAD] in able else able[0]
            found = (
                ask(client, method, address_of(page, apart.world.study, filling), part=True)
                for filling in fillings(page, apart)
                for method in ("get", "post")
            )
            if any(status not in (NOT_THERE, NOT_SO) for status in found):
                there.add(page.below_study)
            else:
                nowhere.append(page.below_study)
    assert set(nowhere) - set(WANTS_MORE) == set()
    assert len(there) > 100
