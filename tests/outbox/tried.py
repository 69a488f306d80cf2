"""Two kinds of messages as an app above would register them: "tried" for volunteers, "tried_staff" for staff."""

from datetime import datetime
from typing import Any

from studylab.outbox.kinds import Audience, MessageField, MessageKind

unwanted: dict[str, str] = {}  # about -> why it is not to be sent any more
WORDS = {"subject": "Tried", "text": "{when}"}


def _values(message: Any) -> dict[str, str]:
    return {"when": f"Occasion {message.key}"}


def _wanted(message: Any, _now: datetime) -> str:
    return unwanted.get(message.about, "")


KINDS = tuple(
    MessageKind(
        key, audience, "Tried", (MessageField("when", "what it is about"),), _values, _wanted
    )
    for key, audience in (("tried", Audience.VOLUNTEER), ("tried_staff", Audience.STAFF))
)
