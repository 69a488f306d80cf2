"""What was on a tablet: whose records were opened on it, by whom, when, and which fields."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime

from django.apps import apps

from scheduling.models import Visit
from studylab import clock
from studylab.people.models import Device, DevicePage
from studylab.reports.rules.device_pages import fields_of, names_people
from studylab.studies.models import Study


@dataclass
class HeldRow:
    """One volunteer on a tablet. `open_then`: somebody was still signed in on it at the moment asked about."""

    code: str
    first_at: datetime
    last_at: datetime
    fields: list[str] = field(default_factory=list)
    people: list[str] = field(default_factory=list)
    open_then: bool = False
    after: bool = False  # opened after that moment
    named: bool = False  # who it is was shown, not only the code


@dataclass(frozen=True, slots=True)
class Held:
    """A tablet at a moment. `lists` are pages with many codes, `elsewhere` other studies seen on it."""

    at: datetime
    rows: list[HeldRow]
    lists: list[DevicePage]
    elsewhere: list[Study]


def held_by(device: Device, study: Study) -> Held:
    """Return what was on a device when it was lost, was revoked, or is now, whichever it comes to first."""
    at = device.lost_at or device.revoked_at or clock.now()
    pages = list(
        DevicePage.objects.filter(sign_in__device=device)
        .select_related("sign_in__user", "study")
        .order_by("first_at", "pk")
    )
    mine = [page for page in pages if page.study_id == study.pk]
    codes = _codes(mine)
    rows: dict[str, HeldRow] = {}
    for page in mine:
        if code := codes.get(page.pk):
            _take(rows, code, page, at)
    return Held(
        at,
        sorted(rows.values(), key=lambda row: row.code),
        [page for page in mine if page.pk not in codes],
        list({page.study_id: page.study for page in pages if page.study_id != study.pk}.values()),
    )


def _take(rows: dict[str, HeldRow], code: str, page: DevicePage, at: datetime) -> None:
    row = rows.setdefault(code, HeldRow(code, page.first_at, page.last_at))
    row.first_at, row.last_at = min(row.first_at, page.first_at), max(row.last_at, page.last_at)
    for held, words in ((row.fields, fields_of(page.page)), (row.people, page.sign_in.user.name)):
        if words not in held:
            held.append(words)
    ended = page.sign_in.ended_at
    row.open_then = row.open_then or (page.first_at <= at and (ended is None or ended > at))
    row.after = row.after or page.last_at > at
    row.named = row.named or names_people(page.page)


def _codes(pages: Iterable[DevicePage]) -> dict[int, str]:
    """Return whom each page was about, by code; pages about nobody in particular are left out."""
    found = {page.pk: page.subject for page in pages if page.kind == DevicePage.Kind.VOLUNTEER}
    uids: dict[str, list[int]] = defaultdict(list)
    for page in pages:
        if page.kind in (DevicePage.Kind.VISIT, DevicePage.Kind.RECORD):
            uids[page.subject].append(page.pk)
    for model in (Visit, *_RECORDS):
        if not uids:
            break
        rows = apps.get_model(model) if isinstance(model, str) else model
        about = rows.objects.filter(uid__in=list(uids)).values_list("uid", "participant__code")
        for uid, code in about:
            found |= dict.fromkeys(uids.pop(str(uid), ()), code)
    return found


_RECORDS = (
    "participants.AdverseEvent", "participants.Deviation", "participants.Hold",
    "screening.VitalSet", "screening.Check",
)  # fmt: skip
