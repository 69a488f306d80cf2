"""A study with a sealed list and kits, and volunteers with numbers."""

from typing import Any

from tests.allocation import helpers
from tests.worlds import world


@world
def sealed(study: Any, confirmed: Any, pharmacist: Any) -> Any:
    """The sealed list of the confirmed study."""
    return helpers.seal(study, pharmacist)


@world
def stocked(study: Any, sealed: Any, pharmacist: Any) -> Any:
    """The study with a sealed list and ten kits of each arm in stock."""
    helpers.stock(study, pharmacist)
    return study


@world
def numbered(stocked: Any, clinician: Any, coordinator: Any) -> Any:
    """A volunteer with the first number of the stocked study."""
    participant = helpers.ready(stocked, clinician)
    helpers.issue(participant, coordinator)
    return participant


@world
def handed_out(numbered: Any, pharmacist: Any, experimenter: Any) -> Any:
    """The kit handed out for the numbered volunteer."""
    kit = helpers.prepare(numbered, pharmacist)
    return helpers.dispense(numbered, kit, pharmacist, experimenter)
