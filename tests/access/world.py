"""A study in the middle of its life, and what its addresses can be filled with."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

from django.apps import apps
from django.urls import URLPattern, URLResolver, get_resolver

from scheduling.selectors.due import doses_given
from studylab import clock
from studylab.access import Cap, Role
from studylab.management.demo.hours import dated_hours
from studylab.management.demo.lab import build_lab
from studylab.management.demo.plot import Plot
from studylab.management.demo.safety import said
from studylab.management.demo.tablet import compared_monitors
from studylab.people.models import User
from studylab.people.selectors import actor_for, today_in
from studylab.people.services.devices import device_enrol
from studylab.people.services.invitations import invitation_make
from studylab.people.services.training import training_record
from studylab.studies.drafting import draft_begin

TODAY = date(2026, 2, 11)
NOWHERE = UUID("00000000-0000-4000-8000-000000000000")

# Beginning of a route below the study -> the model whose `uid` stands in it, or the model and the way from it to the
# `uid`. What has no row yet is asked for with a value that names nothing, to which "not found" is the right answer;
# tests/access/test_foreign_objects.py fails when a route with an id is not listed.
UIDS = {
    "visits/": "scheduling.Visit",
    "holds/": "participants.Hold",
    "deviations/": "participants.Deviation",
    "events/": "participants.AdverseEvent",
    "pauses/": "participants.DosingPause",
    "messages/questions/": "outbox.Message",
    "restored/": "backups.MadeGood",
    "resources/closures/": "scheduling.Closure",
    "resources/holidays/": "scheduling.Holiday",
    "resources/rota/shifts/": "scheduling.Shift",
    "resources/rota/files/": "scheduling.RotaImport",
    "resources/": "scheduling.Resource",
    "calendar/feeds/": "scheduling.CalendarFeed",
    "payments/sent-home/": "scheduling.SentHome",
    "payments/": "scheduling.Payment",
    "people/roles/": "people.Membership",
    "people/training/": "people.Training",
    "people/invitations/": "people.Invitation",
    "devices/": "people.Device",
    "today/clocks/": "screening.Monitor",
    "set-up/drafts/": "studies.ProtocolDraft",
    "set-up/rules/": "screening.RulesRun",
    "set-up/running/": "reports.ExportRun",
    "set-up/validation/": "reports.ValidationRun",
    "record/exports/": "reports.ExportRun",
    "dispensary/batches/": "allocation.KitBatch",
    "dispensary/counts/": "allocation.StockCount",
    "dispensary/excursions/": "allocation.Excursion",
    "unblinding/laboratory/": "allocation.Assay",
    "calendar/plan/": "scheduling.PlanRun",
    "calendar/waiting/freed/": "scheduling.FreedTime",
    "calendar/waiting/": "scheduling.Waiting",
    "calendar/changes/": "scheduling.SeriesChange",
    "volunteers/<str:code>/links/": "participants.PersonalLink",
    "volunteers/<str:code>/news/": "participants.AdverseEvent",
    "volunteers/<str:code>/words/": "participants.VolunteerWord",
    "volunteers/<str:code>/asked/<uuid:uid>/": "scheduling.MoveProposal",
    "volunteers/<str:code>/asked/<uuid:signature>/": "screening.SignOff:signature__uid",
    "volunteers/<str:code>/checks/": "screening.Check",
    "volunteers/<str:code>/vitals/": "screening.VitalSet",
    "volunteers/<str:code>/visits/": "scheduling.Visit",
    "volunteers/<str:code>/series/": "scheduling.Series",
}
WORDS = {
    "gate": ("screening", "pre_dose", "nonsense"),
    "kind": ("main", "nonsense"),
    "what": ("quarantine", "nonsense"),
    "step": ("identity", "dose", "nonsense"),
    "rule": ("sponsor", "nonsense"),
    "part": ("first", "nonsense"),
}


@dataclass
class World:
    """The study, one person per role, the moment it is, and volunteers in several states."""

    study: Any
    people: dict[Role, User]
    now: datetime
    participants: list[Any] = field(default_factory=list)


def build() -> World:
    """Load a part of the demonstration through the services."""
    plot_today = TODAY
    begin = datetime(2026, 2, 11, 16, 40).astimezone() - timedelta(days=63)
    lab = build_lab(begin)
    plot = Plot(lab, plot_today, lambda _text: None)
    for chapter in (plot.dosing_today, plot.waiting_for_sign_off, plot.early_on_the_path):
        chapter()
    dated_hours(lab, plot.now)
    _serious(plot)
    _device(lab)
    compared_monitors(lab, plot.now)
    _invitation(lab, plot.now)
    _draft(lab)
    people = {Role(key): lab.users[key] for key in lab.users if key in set(Role)}
    world = World(lab.study, people, plot.now)
    world.participants = _some_of_each(lab.study)
    return world


def _serious(plot: Plot) -> None:
    """Let the first one dosed be taken to hospital: an event to report, and pauses that stand."""
    (dosed, at), *_ = doses_given(plot.lab.study)
    event = said(
        "Fainted in the corridor.", "faint", at + timedelta(hours=1), grade=3, criteria=("hospital",),
        care_at=at + timedelta(hours=2), care_where="Town hospital",
    )  # fmt: skip
    person = plot.lab.study.participants.get(pk=dosed)
    plot.safety.mild(person, plot.at(0, 12, 30), event, close=False)


def _device(lab: Any) -> None:
    """Give the lab a tablet."""
    with clock.travel(datetime(2026, 2, 11, 7, 0, tzinfo=UTC)):
        device_enrol(
            study=lab.study, name="Tablet room 1", lock_minutes=5, sign_in=None,
            actor=actor_for(lab.users["lead"], lab.study),
        )  # fmt: skip


def _invitation(lab: Any, now: datetime) -> None:
    """Leave one invitation open, and record a training."""
    with clock.travel(now):
        training_record(
            study=lab.study, people=[lab.users["experimenter"]], topic="Protocol", given_by="the lead",
            held_on=today_in(lab.study.timezone), actor=actor_for(lab.users["lead"], lab.study),
        )  # fmt: skip
        invitation_make(
            study=lab.study, name="Nora Feldt", email="nora.feldt@lab.example", identity="known", roles=[Role.MONITOR],
            starts_on=today_in(lab.study.timezone), actor=actor_for(lab.users["lead"], lab.study),
        )  # fmt: skip


def _draft(lab: Any) -> None:
    """Let the lead write the next version of the protocol."""
    version = lab.study.protocol_versions.get(number=1)
    draft_begin(
        study=lab.study, document=version.document, base=version,
        actor=actor_for(lab.users["lead"], lab.study),
    )  # fmt: skip


def _some_of_each(study: Any) -> list[Any]:
    """Return a few volunteers: under way today, held, waiting for sign-off, only just added."""
    everybody = list(study.participants.order_by("pk"))
    return [everybody[1], everybody[3], everybody[5], everybody[-1]]


@dataclass(frozen=True)
class Page:
    """One address of the site."""

    name: str | None
    route: str
    kinds: tuple[tuple[str, str], ...]
    view: Any

    @property
    def cap(self) -> Cap | None:
        """What the view says it needs."""
        return getattr(self.view, "required_capability", None)

    @property
    def below_study(self) -> str:
        """The route without the study's beginning."""
        return self.route.removeprefix("s/<slug:study>/")

    @property
    def in_study(self) -> bool:
        """Whether the page belongs to a study."""
        return self.route.startswith("s/<slug:study>/")


def pages() -> list[Page]:
    """Return every address, nested ones included."""
    return list(_walk(get_resolver().url_patterns, "", ()))


def _walk(patterns: list[Any], before: str, kinds: tuple[tuple[str, str], ...]) -> Iterator[Page]:
    for pattern in patterns:
        route = before + str(pattern.pattern)
        found = (
            *kinds,
            *((name, type(kind).__name__) for name, kind in pattern.pattern.converters.items()),
        )
        if isinstance(pattern, URLResolver):
            yield from _walk(pattern.url_patterns, route, found)
        else:
            assert isinstance(pattern, URLPattern)
            yield Page(pattern.name, route, found, pattern.callback)


def addresses(page: Page, world: World) -> list[str]:
    """Return the page's address, filled with things that are there where we know them."""
    names = {name for name, _kind in page.kinds} - {"study"}
    fillings: list[dict[str, Any]] = [{}]
    if "code" in names:
        fillings = [{"code": participant.code} for participant in world.participants]
    for name, kind in page.kinds:
        if name in ("study", "code"):
            continue
        fillings = [
            {**filling, name: value}
            for filling in fillings
            for value in _values(page, name, kind, filling)
        ]
    return [address_of(page, world.study, filling) for filling in fillings]


def address_of(page: Page, study: Any, filling: dict[str, Any]) -> str:
    """Return the page's address in a study, its other parts filled in."""
    address = "/" + page.route
    for name, value in {**filling, "study": study.slug}.items():
        for kind in ("str", "slug", "uuid", "int", "path"):
            address = address.replace(f"<{kind}:{name}>", str(value))
        address = address.replace(f"<{name}>", str(value))
    assert "<" not in address, address
    return address


def _values(page: Page, name: str, kind: str, filling: dict[str, Any]) -> list[Any]:
    if kind == "UUIDConverter":
        return [*_uids(page, filling), NOWHERE]
    if kind == "IntConverter":
        return [1, 99]
    if name == "number":
        return [*_kit_numbers(), "nonsense"]
    return list(WORDS.get(name, ("nonsense",)))


def _uids(page: Page, filling: dict[str, Any]) -> list[UUID]:
    found = uids_of(page)
    if found is None:
        return []
    rows, way = found
    if "code" in filling:
        rows = rows.filter(participant__code=filling["code"])
    return list(rows.values_list(way, flat=True)[:2])


def uids_of(page: Page) -> tuple[Any, str] | None:
    """Return the rows named in the page's address, and the way from one to its `uid`; None when not listed."""
    listed = next((to for start, to in UIDS.items() if page.below_study.startswith(start)), None)
    if listed is None:
        return None
    label, _, way = listed.partition(":")
    return apps.get_model(label).objects.order_by("pk"), way or "uid"


def _kit_numbers() -> list[str]:
    return list(apps.get_model("allocation.Kit").objects.values_list("number", flat=True)[:1])
