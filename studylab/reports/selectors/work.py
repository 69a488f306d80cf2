"""What waits for whom: the front page of each role."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from django.urls import NoReverseMatch, reverse

from scheduling.models import Resource
from scheduling.rules.path import STAGES
from scheduling.selectors.today import contacts_due, cover_now, today_of
from studylab.access import ROLE_NAMES, Actor, Cap, Role
from studylab.allocation.models import KitMovement, ListEntry
from studylab.allocation.selectors import list_state
from studylab.participants.models import Participant
from studylab.participants.selectors import deviations_of, open_holds
from studylab.people.selectors import today_in
from studylab.reports.selectors.path import OnPath, paths_of
from studylab.studies.models import Study
from studylab.studies.selectors import current_protocol

MOST = 2000  # people looked at for a front page: far more than any lab has on the path at once


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to do: who or what it is about, a few words, and where it is done."""

    label: str
    url: str
    text: str = ""
    kind: str = ""
    word: str = ""


@dataclass(frozen=True, slots=True)
class Group:
    """Things of one sort; `kind` is the shape of its state (stop, warn, wait, info, ok)."""

    title: str
    kind: str
    word: str
    items: list[Item] = field(default_factory=list)


def address(name: str, study: Study, **kwargs: Any) -> str:
    """Return the address of a page of the study, "" while there is none."""
    try:
        return reverse(name, kwargs={"study": study.slug, **kwargs})
    except NoReverseMatch:
        return ""


def step_url(study: Study, row: OnPath) -> str:
    """Return where the next step of a volunteer is done."""
    code, stage = row.participant.code, row.step.stage
    direct = {
        "questions": ("questions", {}),
        "consent": ("consent_add", {}),
        "vitals": ("vitals_add", {"gate": "screening"}),
        "sign_off": ("sign_off" if row.step.who == Role.CLINICIAN else "assessment", {}),
        "booking": ("series_book", {}),
    }
    if stage in direct:
        name, more = direct[stage]
        return address(name, study, code=code, **more)
    visits = {v.number: v for v in row.series.visits.all()} if row.series else {}
    dosing = current_protocol(study).plan.dosing_visit.number
    if stage == "contact" and dosing in visits:
        return address("contact_add", study, uid=visits[dosing].uid)
    if stage.startswith("visit_") and int(stage[-1]) in visits:
        return address("visit", study, uid=visits[int(stage[-1])].uid)
    return address("volunteer", study, code=code)


def active_paths(study: Study, at: datetime) -> list[OnPath]:
    """Return everybody still on the path, the oldest first."""
    people = Participant.objects.filter(study=study, status=Participant.Status.ACTIVE)
    return paths_of(study, list(people.order_by("added_at")[:MOST]), at)


def work_for(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Return what the actor's roles are to do now, most urgent first; empty groups are left out."""
    groups: list[Group] = []
    if actor.may(Cap.SAFETY_VIEW):
        groups += [_holds(study), _contacts(study, at)]
    if actor.may(Cap.VISIT_RUN):
        groups.append(_today(study, at))
    if actor.may(Cap.VOLUNTEER_VIEW):
        groups += _steps(study, actor, at)
    if actor.may(Cap.DEVIATION_CLOSE):
        groups.append(_deviations(study))
    if actor.may(Cap.DISPENSE):
        groups.append(_kits(study, at))
    if Role.LEAD in actor.roles or actor.may(Cap.LIMITS_CONFIRM) or actor.may(Cap.LIST_MANAGE):
        groups.append(_readiness(study, at))
    return [group for group in groups if group.items]


def _holds(study: Study) -> Group:
    rows = open_holds(study).select_related("participant")
    return Group(
        "On hold", "stop", "held",
        [
            Item(h.participant.code, address("volunteer", study, code=h.participant.code),
                 h.get_kind_display())
            for h in rows
        ],
    )  # fmt: skip


def _contacts(study: Study, at: datetime) -> Group:
    due = [row for row in contacts_due(study, at) if row.state != "early"]
    overdue = any(row.overdue for row in due)
    return Group(
        "Contact after the dose", "stop" if overdue else "warn", "overdue" if overdue else "due",
        [
            Item(row.code, address("contact_add", study, uid=row.visit.uid),
                 f"{len(row.attempts)} attempts so far" if row.attempts else "not tried yet",
                 "stop" if row.overdue else "warn", row.state)
            for row in due
        ],
    )  # fmt: skip


def _today(study: Study, at: datetime) -> Group:
    rows = today_of(study, today_in(study.timezone), at=at)
    open_rows = [row for row in rows if row.word not in ("done", "cancelled", "missed")]
    return Group(
        "Visits today", "info", f"{len(open_rows)} to do",
        [
            Item(f"{row.code}, visit {row.number}", address("visit", study, uid=row.visit.uid),
                 row.next_text, "wait" if row.word == "waiting" else "info", row.word)
            for row in open_rows
        ],
    )  # fmt: skip


def _steps(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Group the next steps of volunteers by what is to be done, for the actor's roles."""
    mine = {role.value for role in actor.roles}
    groups: dict[tuple[int, str], Group] = {}
    for row in active_paths(study, at):
        elsewhere = row.step.stage in ("on_hold", "contact") or row.step.stage.startswith("visit_")
        if row.step.who not in mine or elsewhere:
            continue
        key = (STAGES.index(row.step.stage), row.step.title)
        group = groups.setdefault(key, Group(row.step.title, "info", "to do"))
        group.items.append(Item(row.participant.code, step_url(study, row), row.step.why))
    return [groups[key] for key in sorted(groups)]


def _deviations(study: Study) -> Group:
    rows = deviations_of(study).exclude(state="closed").select_related("participant")[:50]
    return Group(
        "Deviations to explain or close", "warn", "open",
        [
            Item(
                row.participant.code if row.participant else "study",
                address("deviation", study, uid=row.uid), row.get_kind_display(),
                "warn", row.get_state_display(),
            )
            for row in rows
        ],
    )  # fmt: skip


def _kits(study: Study, at: datetime) -> Group:
    """Numbers whose dosing visit comes within three days and whose kit is not handed out yet."""
    dosing = current_protocol(study).plan.dosing_visit.number
    entries = (
        ListEntry.objects.filter(
            list__study=study,
            participant__status=Participant.Status.ACTIVE,
            participant__visits__number=dosing,
            participant__visits__state__in=["booked", "running"],
            participant__visits__planned__startswith__lte=at + timedelta(days=3),
        )
        .select_related("participant")
        .prefetch_related("kits")
        .order_by("participant__visits__planned")
    )
    items = []
    for entry in entries:
        states = {kit.state for kit in entry.kits.all()}
        if states & {"dispensed", "given"} or entry.participant is None:
            continue
        name = "kit_dispense" if "prepared" in states else "dispensary"
        more = {"code": entry.participant.code} if name == "kit_dispense" else {}
        items.append(
            Item(f"number {entry.number}", address(name, study, **more),
                 "prepared, to hand out" if more else "to prepare")
        )  # fmt: skip
    return Group("Kits for the coming three days", "warn", "to do", items)


def _readiness(study: Study, at: datetime) -> Group:
    """What the study still lacks before somebody can be dosed."""
    protocol, today = current_protocol(study), today_in(study.timezone)
    items = []
    if not protocol.confirmed:
        items.append(
            Item("Limits", address("limits_confirm", study, number=protocol.version.number),
                 "A clinician confirms them by signature; until then dosing is refused.")
        )  # fmt: skip
    if not list_state(study).sealed:
        items.append(
            Item("Allocation list", address("dispensary", study), "The pharmacist seals it.")
        )
    if not KitMovement.objects.filter(kit__study=study, what="receive").exists():
        items.append(
            Item("Kits", address("dispensary", study), "None were received for this study yet.")
        )
    held = set(
        study.memberships.filter(starts_on__lte=today)
        .exclude(ends_on__lt=today)
        .values_list("role", flat=True)
    )
    items += [
        Item(ROLE_NAMES[role], address("people", study), "Nobody holds this role today.")
        for role in Role
        if role.value not in held
    ]
    kinds = set(
        Resource.objects.filter(is_active=True, openings__isnull=False).values_list(
            "kind", flat=True
        )
    )
    wanted = {n.kind for v in protocol.plan.visits for s in v.segments for n in s.needs}
    items += [
        Item(kind.capitalize(), address("resources", study), "Nothing of this kind has hours yet.")
        for kind in sorted(wanted - kinds)
    ]
    if not cover_now(study, at):
        items.append(
            Item("Physician cover", address("cover", study), "No physician is checked in now.")
        )
    return Group("What the study still lacks", "warn", "missing", items)


def counts_by_stage(rows: list[OnPath]) -> list[tuple[str, int]]:
    """Return how many people are at each stage, in the order of the path."""
    found = Counter(row.step.stage for row in rows)
    return [(stage.replace("_", " "), found[stage]) for stage in STAGES if found[stage]]
