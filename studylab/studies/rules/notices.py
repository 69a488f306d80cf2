"""When something urgent that nobody reads goes to somebody else: the `[notices]` part of a study document.

The proposals (15 minutes, clinician before lead) are the house's own, to be confirmed by each lab.
"""

from dataclasses import dataclass
from datetime import time

from studylab.studies.rules.reader import Table

MAY_BE_TOLD = (
    "coordinator",
    "clinician",
    "experimenter",
    "lead",
)  # a pharmacist's matters and the blinded ones stay apart
_CLOCK = r"([01]\d|2[0-3]):[0-5]\d"


@dataclass(frozen=True, slots=True)
class NoticePlan:
    """Minutes unread until the next role is told, the roles in their order, and who is on call at night.

    `night_role` "" means that nights are like days. A night may go over midnight.
    """

    unread_minutes: int = 15
    order: tuple[str, ...] = ("clinician", "lead")
    night_role: str = ""
    night_from: time = time(20)
    night_until: time = time(7)


def read_notices(document: Table) -> NoticePlan:
    """Return the plan; a document without one has the proposals."""
    if not document.has("notices"):
        return NoticePlan()
    table = document.table("notices")
    order = table.texts("order", at_least=1)
    for name in order:
        if name not in MAY_BE_TOLD:
            fix = f"Use {', '.join(MAY_BE_TOLD)}."
            table.wrong(
                "order", f"“{name}” is no role that is told of what others left unread.", fix
            )
    if len(set(order)) < len(order):
        table.wrong("order", "A role stands in the order twice.", "Name each role once.")
    night = table.one_of("night_role", ("", *MAY_BE_TOLD), default="")
    plan = NoticePlan(
        unread_minutes=table.whole("unread_minutes", low=1, high=1440),
        order=order, night_role=night,
        night_from=_clock(table, "night_from", "20:00"), night_until=_clock(table, "night_until", "07:00"),
    )  # fmt: skip
    if plan.night_role and plan.night_from == plan.night_until:
        table.wrong("night_until", "The night has no length.", "Give two different times.")
    table.close()
    return plan


def _clock(table: Table, name: str, proposal: str) -> time:
    if not table.has(name):
        return time.fromisoformat(proposal)
    given = table.text(name, pattern=_CLOCK, rule='Write a time such as "20:00".')
    try:
        return time.fromisoformat(given)
    except ValueError:  # the reader has told what is wrong
        return time.fromisoformat(proposal)
