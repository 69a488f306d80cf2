"""What is stored about one person, in plain words for that person. Never the arm: it is in none of the tables read."""

import json
from collections import defaultdict
from dataclasses import asdict
from datetime import datetime
from typing import Any

from scheduling.selectors.payments import payments_of
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.audit.selectors import events_of_participant
from studylab.audit.sentences import SENTENCES
from studylab.outbox.models import Reach
from studylab.outbox.selectors.reach import reach_of
from studylab.participants.models import Participant
from studylab.participants.rules.details import ContactDetails
from studylab.reports.selectors.person_file import file_of_person
from studylab.templatetags.studylab import instant

ABOUT = (
    "This is a copy of what this study stores about you. Many laws give you the right to such a copy, and to have it in "
    "a form that machines can read (the European Union's General Data Protection Regulation, articles 15 and 20, is one "
    "example). Which law holds for you is decided by where you live and where the study is."
)
LEFT_OUT = (
    "What you were given is not in here: nobody you meet in the study knows it. Keyed digests by which you would be recognised "
    "are kept and tell nothing to read. Of messages to you it is kept what each was about, when it was due and what became of it, not its words. Headings stand in English. If something is wrong, ask for a correction: "
    "the earlier entry stays beside it."
)
CONTACT_WORDS = {
    "family_name": "Family name", "given_names": "Given names", "birth_date": "Born", "email": "E-mail",
    "phone": "Phone", "address": "Address", "emergency_name": "To call in an emergency",
    "emergency_phone": "Their phone",
}  # fmt: skip


def copy_of(person: Participant, details: ContactDetails | None, at: datetime) -> dict[str, Any]:
    """Return the content of a copy as plain JSON values; `details` is None once they were erased."""
    contact, reach = asdict(details) if details else {}, reach_of(person)
    return {
        "about": ABOUT,
        "left_out": LEFT_OUT,
        "study": person.study.title,
        "code": person.code,
        "as_of": at.isoformat(),
        "contact": [[CONTACT_WORDS[key], str(value)] for key, value in contact.items() if value]
        + (_reached(reach) if reach else []),
        "contact_erased": details is None,
        "record": [
            {"at": one.at.isoformat(), "when": instant(one.at), "what": one.title,
             "corrected_later": one.replaced, "values": [list(pair) for pair in one.values]}
            for one in file_of_person(person)
        ],
        "payments": [
            {"at": one.paid_at.isoformat(), "when": instant(one.paid_at), "amount": str(one.amount),
             "currency": one.currency, "how": one.get_how_display()}
            for one in payments_of([person])
        ],
        "who": who_acted(person),
    }  # fmt: skip


def _reached(reach: Reach) -> list[list[str]]:
    """Return how the person said that messages are to come, as (what, text)."""
    agreed = "yes" if reach.short_agreed else "no"
    return [
        ["Messages come by", reach.get_channel_display()], ["Agreed to short messages", agreed],
        *([["Time zone for messages", reach.zone]] if reach.zone else []), ["Said so", instant(reach.said_at)],
    ]  # fmt: skip


def who_acted(person: Participant) -> list[dict[str, Any]]:
    """Return who looked at or changed something, by role and act: how often, first and last."""
    found: dict[tuple[str, str], list[datetime]] = defaultdict(list)
    events = events_of_participant(person.study_id, person.code).order_by("at", "id")
    for role, action, at in events.values_list("role", "action", "at"):
        found[role or "The program", action].append(at)
    return [
        {"role": role, "did": SENTENCES[Action(action)], "times": len(times),
         "first": instant(times[0]), "last": instant(times[-1])}
        for (role, action), times in found.items()
    ]  # fmt: skip


def as_bytes(content: dict[str, Any]) -> bytes:
    """Return the content as the JSON file that is handed out and hashed."""
    return json.dumps(content, ensure_ascii=False, indent=1).encode()


def copies_of(person: Participant) -> list[tuple[Event, list[Event]]]:
    """Return the copies that were made, the newest first, each with its handings over."""
    events = events_of_participant(person.study_id, person.code)
    handed: dict[str, list[Event]] = defaultdict(list)
    for event in events.filter(action=Action.COPY_HANDED).order_by("id"):
        handed[event.data["copy"]].append(event)
    made = events.filter(action=Action.COPY_MADE).order_by("-id")
    return [(event, handed[event.subject_code]) for event in made]
