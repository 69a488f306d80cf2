"""A kind of message for volunteers and one for staff, as an app above would register them."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from studylab.access import system_actor
from studylab.outbox import kinds
from studylab.outbox.rules import words
from studylab.outbox.services.queue import message_queue
from tests.outbox.tried import KINDS, WORDS, unwanted
from tests.participants.conftest import ana, keeper, noon, office  # noqa: F401  (fixtures)

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
ACTOR = system_actor("test")


@pytest.fixture(autouse=True)
def _kinds(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(kinds, "_kinds", dict(kinds._kinds))
    for kind in KINDS:
        kinds.register_kind(kind)
        monkeypatch.setitem(words._file(words.NATIVE), kind.key, WORDS)  # type: ignore[arg-type]
    unwanted.clear()
    yield
    unwanted.clear()


def queue_staff(study: Any, user: Any, number: int = 1, **given: Any) -> Any:
    """Queue a message to a member of staff, due at noon and of use for a day."""
    values = {
        "kind": "tried_staff", "study": study, "user": user, "about": f"thing:{number}", "due_at": NOON,
        "useful_until": NOON + timedelta(days=1), "key": f"tried:{number}", "language": "en", "actor": ACTOR,
    }  # fmt: skip
    return message_queue(**{**values, **given})
