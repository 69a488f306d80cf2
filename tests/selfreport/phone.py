"""A volunteer's phone: a browser without an account, that opens a link and walks through the questions."""

import re
from typing import Any

from django.test import Client
from django.urls import reverse

from screening.rules.self_report import Screen
from studylab.access import Actor
from studylab.participants.models import Participant
from studylab.participants.services.links import MadeLink, link_make


def make(actor: Actor, participant: Participant, days: int = 14) -> MadeLink:
    """Make a link for the health questions."""
    return link_make(participant=participant, purpose="questions", days=days, actor=actor)


class Phone(Client):
    """A browser of its own, with the check of cross-site forms in force as in any browser."""

    def __init__(self, language: str = "en") -> None:
        super().__init__(enforce_csrf_checks=True, headers={"accept-language": language})

    def send(self, address: str, data: dict[str, Any] | None = None, **extra: Any) -> Any:
        """Send a form of the page at `address`, with the token that stands in it."""
        page = self.get(reverse("link_door"))
        token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', page.content.decode())
        assert token is not None
        return self.post(address, {"csrfmiddlewaretoken": token[1], **(data or {})}, **extra)

    def open(self, token: str, **birth: Any) -> Any:
        """Show a link at the door."""
        return self.send(reverse("link_door"), {"token": token, **birth})

    def agree(self, version: str) -> Any:
        """Press "I agree"."""
        return self.send(reverse("self_report_agreement"), {"version": version})

    def answer(self, number: int, data: dict[str, Any]) -> Any:
        """Send one screen."""
        return self.send(reverse("self_report_screen", args=[number]), data)


def quiet(screen: Screen, **changed: Any) -> dict[str, Any]:
    """Return what a healthy volunteer sends on a screen, but for `changed` (id with "_" for "-")."""
    data: dict[str, Any] = {}
    if screen.kind == "medicines":
        data = {"none": "on", **cards([])}
    elif screen.kind == "body":
        data = {"height_cm": "172", "weight_kg": "71,5"}
    for row in screen.rows:
        if row.kind == "yes_no":
            data[row.id] = row.quiet
        elif not row.asked_if:
            data[row.id] = "2"
    return data | {
        key.replace("_", "-") if key[0] in "CST" else key: v for key, v in changed.items()
    }


def cards(medicines: list[dict[str, str]], room: int = 1) -> dict[str, str]:
    """Return the cards of the medicines' screen as a browser sends them."""
    data = {
        "medicine-TOTAL_FORMS": str(len(medicines) + room), "medicine-INITIAL_FORMS": "0",
        "medicine-MIN_NUM_FORMS": "0", "medicine-MAX_NUM_FORMS": "40",
    }  # fmt: skip
    for place, medicine in enumerate(medicines):
        data |= {f"medicine-{place}-{key}": value for key, value in medicine.items()}
    return data


def text_of(answer: Any) -> str:
    """Return the page of an answer."""
    text: str = answer.content.decode()
    return text
