"""Carrying an option through a form, a row of the database, and back."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from django.core import signing

from scheduling.rules.series import PlaceRef, SeriesOption, VisitOption, visit_at
from studylab.errors import Conflict
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.protocol import Protocol
from studylab.studies.selectors import plan_of

SALT = "scheduling.option"
TOKEN_AGE = timedelta(hours=12)
STALE = "This choice is no longer on offer. Choose again from the fresh times below."


def seal_option(option: SeriesOption, *, version: ProtocolVersion, about: str) -> str:
    """Return an option as signed text that only fits `about` (a volunteer's code or a visit)."""
    visits = option_as_json(option)
    content = {"about": about, "version": version.sha256[:16], "visits": visits}
    return signing.dumps(content, salt=SALT, compress=True)


def open_option(
    token: str, *, version: ProtocolVersion, about: str, plan: Protocol | None = None
) -> SeriesOption:
    """Return the option that `seal_option` wrote, or raise Conflict when it is not one for `about` now."""
    try:
        content = signing.loads(token, salt=SALT, max_age=TOKEN_AGE)
    except signing.BadSignature as problem:
        raise Conflict(STALE, code="option_stale") from problem
    if content["about"] != about or content["version"] != version.sha256[:16]:
        raise Conflict(STALE, code="option_stale")
    return option_from_json(plan or plan_of(version), content["visits"])


def option_as_json(option: SeriesOption) -> list[list[Any]]:
    """Return an option as plain JSON: number, start and places per segment of each visit."""
    return [[row.number, int(row.start.timestamp()), _packed_places(row)] for row in option.visits]


def option_from_json(plan: Protocol, visits: Sequence[Sequence[Any]]) -> SeriesOption:
    """Return the option that `option_as_json` wrote, with the segments of `plan`."""
    rows = []
    for number, start, places in visits:
        refs = [tuple(PlaceRef(str(kind), place) for kind, place in row) for row in places]
        rows.append(visit_at(plan.visit(number), datetime.fromtimestamp(start, UTC), refs))
    return SeriesOption(tuple(rows), 0)


def _packed_places(visit: VisitOption) -> list[list[list[str | int]]]:
    return [[[ref.kind, ref.place_id] for ref in row.places] for row in visit.segments]
