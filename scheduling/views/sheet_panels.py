"""What stands beside the steps of a run sheet: kept values, the wait, leaving, and who stays with the volunteer."""

from dataclasses import dataclass
from datetime import datetime

from scheduling.models import Dose, Visit
from scheduling.rules.presence import Stay
from scheduling.selectors.presence import stay_now
from scheduling.selectors.sheet import Sheet
from scheduling.views.words import WAIT_KINDS


@dataclass(frozen=True, slots=True)
class WaitPanel:
    """The wait after the dose: instants in UTC; `kind` is the shape of the state."""

    dose: Dose
    state: str
    kind: str
    due_at: datetime
    latest_at: datetime


def pinned(sheet: Sheet) -> list[tuple[str, str, str]]:
    """Return what the session needs in large type: name, words, and where it comes from."""
    names = {factor.key: factor.name for factor in sheet.protocol.allocation.open_factors}
    found = [(names.get(key, key), level, "fixed") for key, level in sheet.open_levels.items()]
    for key, value in sheet.carried.items():
        if value.visit_number < sheet.visit.number:
            name = key.replace("_", " ").capitalize()
            found.append((name, value.words, f"kept from visit {value.visit_number}"))
    return found


def wait_panel(sheet: Sheet) -> WaitPanel | None:
    """Return the wait after the dose while the check after it is open."""
    if sheet.wait is None or sheet.dose is None or sheet.visit.state != Visit.State.RUNNING:
        return None
    wait = sheet.wait
    return WaitPanel(sheet.dose, wait.state, WAIT_KINDS[wait.state], wait.due_at, wait.latest_at)


def leave_after(sheet: Sheet, now: datetime) -> datetime | None:
    """Return the earliest instant of leaving while it is still ahead and nobody has left."""
    at = sheet.leave_earliest
    if at is None or sheet.left or at <= now or sheet.visit.state != Visit.State.RUNNING:
        return None
    return at


def stay_panel(sheet: Sheet, now: datetime) -> Stay:
    """Return who stays with the volunteer of a dosing visit."""
    watched = sheet.dose is not None and not sheet.left
    return stay_now(sheet.visit, sheet.evidence, now, watched=watched)
