"""Values of somebody with nothing to report, and one for every kind of step."""

from datetime import datetime
from typing import Any

from studylab.studies.rules.protocol import Step

HEALTHY = {"C-38a": 3.0, "C-49a": "yes", "C-49b": "yes", "C-50": "yes", "C-22a": 2.0, "S-02": "yes"}
GOOD = ((121, 78, 70), (118, 76, 68), (116, 74, 66))
SEEN = {"identifiers": ["name", "birth date"], "document": "passport"}


def value_for(step: Step, at: datetime) -> dict[str, Any] | None:
    """Return a value that the step takes; None for steps recorded elsewhere."""
    values: dict[str, Any] = {
        "identity": SEEN,
        "tick": {"done": True},
        "read_aloud": {"done": True},
        "choice": {"value": step.options[0] if step.options else ""},
        "number": {"value": step.maximum},
        "label": {"value": "SET-7"},
        "text": {"value": "nothing unusual"},
        "timer": {"started_at": at.isoformat()},
    }
    return values.get(step.kind)
