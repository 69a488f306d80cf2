"""Who asks, and for what: two studies, a browser for each role and for those without any, and what they can know."""

from collections.abc import Iterator
from dataclasses import dataclass
from http.cookies import SimpleCookie
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django.test import Client

from scheduling.models import CalendarFeed, Resource
from scheduling.services.feeds import feed_make
from studylab.access import ROLE_CAPS, UNBLINDED_ROLES, Cap, Role
from studylab.management.demo.cast import PASSWORD
from studylab.participants.services.links import link_make
from studylab.people.models import Invitation
from studylab.people.rules.invitations import invitation_secret
from studylab.people.selectors import actor_for
from studylab.people.selectors.invitations import invitation_key
from tests.access.foreign import Apart, fillings, names_no_object, varies
from tests.access.world import NOWHERE, Page, address_of, addresses, pages
from tests.cast import make_user
from tests.hostile.asks import Known

VISITORS = (
    *(role.value for role in Role),
    "outsider",
    "accounts",
    "anonymous",
    "volunteer (questions)",
    "volunteer (visits)",
)


@dataclass
class Visitor:
    """Somebody at a browser, and what is open to them."""

    name: str
    client: Client
    caps: frozenset[Cap]
    user_id: int | None = None
    study_id: int | None = None
    purpose: str = ""  # of the personal link they hold
    blinded: bool = True

    def __post_init__(self) -> None:
        self.cookies = self.client.cookies.output(header="", sep=";")

    def fresh(self) -> None:
        """Be signed in as at the beginning."""
        self.client.cookies = SimpleCookie(self.cookies)

    def may(self, page: Page) -> bool:
        """Whether the page is open to them, whatever it then says of the object."""
        if page.cap == Cap.LINK_HOLDER:
            return getattr(page.view, "link_purpose", None) == self.purpose
        return page.cap == Cap.ANYONE or page.cap in self.caps


@dataclass
class Scene:
    """All that a drive needs."""

    apart: Apart
    visitors: list[Visitor]
    places: dict[str, list[str]]  # route -> addresses, of this study and of the other
    pages: dict[str, Page]
    known: Known


def build_scene(apart: Apart) -> Scene:
    """Sign everybody in and write down every address. The clock stands at the world's moment."""
    visitors = [_member(role, apart) for role in Role]
    visitors += [_outsider(apart), _accounts(), Visitor("anonymous", Client(), frozenset())]
    secrets = [_link(apart, visitors, purpose) for purpose in ("questions", "visits")]
    secrets += [_feed(apart), _invitation(), "nonsense"]
    assert {visitor.name for visitor in visitors} == set(VISITORS)
    found = {page.route: page for page in pages()}
    places = {route: list(dict.fromkeys(_places(page, apart))) for route, page in found.items()}
    known = Known(
        apart.world.now.astimezone(ZoneInfo(apart.world.study.timezone)), PASSWORD, tuple(secrets), _uids(places),
    )  # fmt: skip
    return Scene(apart, visitors, places, found, known)


def _signed_in(user: Any) -> Client:
    client = Client(raise_request_exception=False)
    client.force_login(user)
    return client


def _member(role: Role, apart: Apart) -> Visitor:
    user = apart.world.people[role]
    return Visitor(
        role.value, _signed_in(user), ROLE_CAPS[role] | {Cap.SIGNED_IN}, user.pk, apart.world.study.pk,
        blinded=role not in UNBLINDED_ROLES,
    )  # fmt: skip


def _outsider(apart: Apart) -> Visitor:
    user = apart.people[Role.COORDINATOR]
    caps = ROLE_CAPS[Role.COORDINATOR] | {Cap.SIGNED_IN}
    return Visitor("outsider", _signed_in(user), caps, user.pk, apart.study.pk)


def _accounts() -> Visitor:
    user = make_user("Ada Winther", is_account_admin=True)
    return Visitor(
        "accounts", _signed_in(user), frozenset({Cap.SIGNED_IN, Cap.ACCOUNTS_MANAGE}), user.pk
    )


def _link(apart: Apart, visitors: list[Visitor], purpose: str) -> str:
    """Let a volunteer in by a link, and make a second one for somebody else that nobody has opened."""
    world = apart.world
    actor = actor_for(world.people[Role.COORDINATOR], world.study)
    whose = world.participants[-1] if purpose == "questions" else world.participants[0]
    made = link_make(participant=whose, purpose=purpose, days=14, actor=actor)
    client = Client(raise_request_exception=False)
    client.post("/my/", {"token": made.token})
    visitors.append(
        Visitor(
            f"volunteer ({purpose})",
            client,
            frozenset({Cap.LINK_HOLDER}),
            None,
            world.study.pk,
            purpose,
        )
    )
    return link_make(participant=world.participants[1], purpose=purpose, days=14, actor=actor).token


def _feed(apart: Apart) -> str:
    actor = actor_for(apart.world.people[Role.COORDINATOR], apart.world.study)
    feeds = CalendarFeed.objects.values_list("resource")
    thing = Resource.objects.exclude(pk__in=feeds).filter(user=None).earliest("pk")
    return feed_make(study=apart.world.study, resource=thing, actor=actor).token


def _invitation() -> str:
    row = Invitation.objects.latest("pk")
    return invitation_secret(row.uid, row.turn, invitation_key())


def _places(page: Page, apart: Apart) -> Iterator[str]:
    """Addresses of a page with objects of its study, with the same in the other study, and with what is not there."""
    yield from addresses(page, apart.world)
    if varies(page) and not names_no_object(page):
        for filling in fillings(page, apart):
            yield address_of(page, apart.world.study, filling)
            yield address_of(page, apart.study, filling)
    elif page.in_study:
        yield from addresses(page, apart.world)[:1]
        yield address_of(page, apart.study, {name: 1 for name, _ in page.kinds if name != "study"})


def _uids(places: dict[str, list[str]]) -> tuple[UUID, ...]:
    found = {NOWHERE}
    for addresses_ in places.values():
        for part in "/".join(addresses_).split("/"):
            try:
                found.add(UUID(part))
            except ValueError:
                continue
    return tuple(sorted(found))
