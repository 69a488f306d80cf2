"""What a browser asks for and sends on the pages of the questionnaire."""

from typing import Any

from django.urls import reverse

from screening.selectors import newest_answers
from tests.screening.record import people


def at(name: str, participant: Any, *more: Any) -> str:
    """Return the address of a page about somebody."""
    return reverse(name, args=[participant.study.slug, participant.code, *more])


def questionnaire(participant: Any, gate: str = "screening", **changed: Any) -> dict[str, Any]:
    """Return what a browser sends for a whole quiet questionnaire; `changed` adds fields."""
    standing = newest_answers(participant, gate)
    fields = {key: item["value"] for key, item in people.quiet_answers(participant, gate).items()}
    fields |= {
        "base": str(standing.uid) if standing else "",
        "no_medicines": "on",
        "source": "staff",
        "given_at": "",
        "height_cm": "172",
        "weight_kg": "68.5",
        "medicine-TOTAL_FORMS": "2",
        "medicine-INITIAL_FORMS": "0",
    }
    return fields | changed
