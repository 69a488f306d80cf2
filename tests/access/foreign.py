"""A second study whose people ask for what belongs to the first: one of everything that an address can name."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from itertools import product
from typing import Any
from uuid import uuid4

import pgtrigger
from django.apps import apps
from django.db import models

from screening.models import Assessment
from studylab import clock
from studylab.access import Role
from studylab.allocation.models import ListEntry
from studylab.audit.models import Event
from studylab.participants.models import Participant
from studylab.people.models import User
from studylab.people.selectors import actor_for
from studylab.reports.services.person_copy import copy_make
from studylab.studies.models import Study
from tests.access.world import Page, World, uids_of
from tests.cast import join, make_study, make_user
from tests.participants.people import add

# Routes below a study whose variable part names no object of a study, each with the reason.
NAMES_NO_OBJECT = {
    "messages/senders/<slug:language>/": "a language, and the texts are those of the study in the address",
    "messages/words/<slug:kind>/<slug:language>/": "a kind of message and a language",
    "unblinding/list.<slug:kind>": "the form of a file",
    "progress/": "the name of a chart and the form of a file",
    "record/reviews/<slug:key>/": "a review that the study document plans",
    "resources/": "rooms, people and their times belong to the lab, whatever the study",
    "set-up/validation/<uuid:uid>/": "checks of the whole site, the same ones from every study",
}
WITH_OBJECT = {
    "progress/observers/<int:user>/sign/"
}  # below a beginning named above, with an object

# Parts beside the object, of which any right one will do.
BESIDE = {
    "gate": "screening", "kind": "ecg", "what": "quarantine", "step": "identity", "rule": "sponsor",
    "part": "first", "seen": "missing", "stage": "before", "teller": "volunteer", "order": "conditioning",
    "key": "nonsense", "index": 0,
}  # fmt: skip
FITTING = {
    ("kind", "/consent/"): "study", ("gate", "/visits/"): "pre_dose",
}  # fmt: skip
RUNNING = {
    "exports": "reports.ExportRun",
    "plans": "scheduling.PlanRun",
    "rules": "screening.RulesRun",
}
# Found in their own study only when more stands there than the row that the address names.
WANTS_MORE = {
    "volunteers/<str:code>/news/<uuid:uid>/": "an approved text about the event",
    "deviations/<uuid:uid>/report/<slug:rule>/<slug:part>/": "a report that is due",
    "events/<uuid:uid>/report/<slug:rule>/<slug:part>/": "a report that is due",
    "visits/<uuid:uid>/contact/": "a dose given at that visit",
    "visits/<uuid:uid>/dose/correct/": "a dose given at that visit",
    "visits/<uuid:uid>/trials/<slug:order>/": "a study whose visits have orders of trials",
    "visits/<uuid:uid>/trials/<slug:order>/file/": "a study whose visits have orders of trials",
    "volunteers/<str:code>/asked/<uuid:signature>/<int:index>/": "a sign-off about the newest assessment",
    "volunteers/<str:code>/checks/<uuid:uid>/read/": "a check that is an ECG",
}
VERSION = 7  # a protocol version of this number only the first study has
SERIAL = "CARD-1"


@dataclass
class Apart:
    """The first study with its objects; the other one, its people by role and its only volunteer."""

    world: World
    study: Study
    people: dict[Role, User]
    own: Participant


def build_apart(world: World) -> Apart:
    """Add to the first study what it lacks, and make the other one."""
    with clock.travel(world.now):
        _rows(world)
        coordinator = actor_for(world.people[Role.COORDINATOR], world.study)
        copy_make(participant=world.participants[0], asked="In person.", actor=coordinator)
        study = make_study(slug="other-study", prefix="TR")
        people = {role: make_user(f"Otis {role.value.title()}") for role in Role}
        for role, user in people.items():
            join(user, study, role)
        own = add(actor_for(people[Role.COORDINATOR], study), study)
    return Apart(world, study, people, own)


def _rows(world: World) -> None:
    """Write one row of each kind that the first study has none of.

    Past services and triggers, which want a whole story for each (a list that was opened, a lab that was put back):
    to "not found" only matters whose the row is.
    """
    now, study, person = world.now, world.study, world.participants[0]
    first, lead = study.protocol_versions.get(), world.people[Role.LEAD]
    visit = person.visits.first()
    given: dict[str, Any] = {
        "study": study, "participant": person, "protocol_version": first, "visit": visit, "series": visit.series,
        "asked_by": lead, "by": lead, "made_by": lead, "printed_by": lead, "recorded_by": lead, "user": lead,
    }  # fmt: skip

    def row(label: str, **known: Any) -> Any:
        return _row(label, given, known, now)

    later = now + timedelta(hours=2)
    waits = Assessment.objects.filter(participant=world.participants[2]).latest("pk")
    with pgtrigger.ignore():
        row("studies.ProtocolVersion", number=VERSION, document=first.document, sha256=first.sha256)
        row("participants.PersonalLink", purpose="visits", expires_at=later)
        row("participants.VolunteerWord", key=uuid4(), kind="unwell", text="A headache.")
        row("participants.Deviation", kind="other")
        row("allocation.CodeCard", entry=ListEntry.objects.earliest("pk"), serial=SERIAL)
        row("allocation.Assay", found="present")
        row("allocation.Excursion")
        row("screening.RulesRun", asked_by="somebody")
        row(
            "screening.SignOff", participant=waits.participant, assessment=waits, decision="needs_more",
            reason="More is needed.", requests=[{"what": "ECG", "who": "Cora"}],
            signature=row("people.Signature", role="clinician"),
        )  # fmt: skip
        row("scheduling.SeriesChange", kind="moved")
        row("scheduling.FreedTime", last=later)
        row("scheduling.Waiting")
        row(
            "scheduling.MoveProposal",
            hold=row("scheduling.OptionHold", taken_at=now - timedelta(hours=1), until=now),
        )
        row("scheduling.Payment", how="cash", currency="GBP")
        row("scheduling.SentHome", counts=True)
        row("scheduling.PlanRun")
        row("reports.ExportRun")
        row("backups.MadeGood", restoration=row("backups.Restoration"))


def _row(label: str, given: dict[str, Any], known: dict[str, Any], now: Any) -> Any:
    """Write one row: what is known of it, what is given of its columns, and anything in those still needed."""
    model = apps.get_model(label)
    mine = {field.name for field in model._meta.concrete_fields}
    taken = {name: value for name, value in given.items() if name in mine} | known
    filled = {
        field.name: _filling(field, now)
        for field in model._meta.concrete_fields
        if field.name not in taken and not (field.null or field.blank or field.has_default())
    }
    return model.objects.create(**(filled | taken))


def _filling(field: Any, now: Any) -> Any:
    match field:
        case models.DateTimeField():
            return now
        case models.DateField():
            return now.date()
        case models.JSONField():
            return []
        case models.DecimalField() | models.IntegerField():
            return 1
        case models.CharField() | models.TextField():
            return "x" * min(3, field.max_length or 3)
    raise AssertionError(f"say what stands in {field}")


def varies(page: Page) -> bool:
    """Whether the address names something besides the study."""
    return page.in_study and bool(set(dict(page.kinds)) - {"study"})


def names_no_object(page: Page) -> bool:
    """Whether the page is one of the exceptions."""
    route = page.below_study
    return route not in WITH_OBJECT and any(route.startswith(start) for start in NAMES_NO_OBJECT)


def objects_of(page: Page, world: World) -> list[dict[str, Any]]:
    """What the first study has to fill the address with, its code left out; empty when nothing is known."""
    if page.below_study.startswith("set-up/running/"):
        return [
            {"kind": kind, "key": apps.get_model(label).objects.values_list("uid", flat=True)[0]}
            for kind, label in RUNNING.items()
        ]
    values: dict[str, list[Any]] = {}
    for name, kind in page.kinds:
        if name not in ("study", "code"):
            values[name] = list(_known(page, name, kind, world))
    found = [dict(zip(values, chosen, strict=True)) for chosen in product(*values.values())]
    kinds = dict(page.kinds)
    has_object = "code" in kinds or "UUIDConverter" in kinds.values() or set(values) - set(BESIDE)
    return found if has_object else []


def _known(page: Page, name: str, kind: str, world: World) -> Iterator[Any]:
    if kind == "UUIDConverter":
        rows, way = uids_of(page) or (None, "")
        if rows is not None:
            yield from rows.values_list(way, flat=True)[:1]
    elif (name, kind) == ("number", "IntConverter"):
        yield VERSION
    elif name == "number":
        yield from apps.get_model("allocation.Kit").objects.values_list("number", flat=True)[:1]
    elif name == "serial":
        yield SERIAL
    elif name in ("person", "user"):
        yield world.people[Role.EXPERIMENTER].pk
    elif name == "copy":
        yield Event.objects.filter(subject_type="copy").latest("pk").subject_code
    else:
        fitting = [
            to for (part, where), to in FITTING.items() if part == name and where in page.route
        ]
        yield from fitting[:1] or [BESIDE[name]] * (name in BESIDE)


def owner_of(page: Page, filling: dict[str, Any], world: World) -> str:
    """The code in the first study under which the object in the filling stands."""
    found = uids_of(page)
    for name, kind in page.kinds:
        if kind == "UUIDConverter" and found is not None and page.name != "news_tell":
            rows, way = found
            row = rows.get(**{way: filling[name]})
            return str(row.participant.code)
    return str(world.participants[0].code)


def fillings(page: Page, apart: Apart) -> Iterator[dict[str, Any]]:
    """Each object under its own volunteer's code, and under the code of somebody who is of the asking study."""
    for filling in objects_of(page, apart.world):
        if "code" not in dict(page.kinds):
            yield filling
            continue
        yield {**filling, "code": owner_of(page, filling, apart.world)}
        if filling.keys() & {"uid", "visit_uid", "signature", "copy"}:
            yield {**filling, "code": apart.own.code}
