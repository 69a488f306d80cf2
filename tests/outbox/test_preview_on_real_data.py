"""Words looked at with a volunteer's own values: only by who may see names, and each look is on the trail."""

from datetime import timedelta
from typing import Any
from uuid import uuid4

import pytest
from django.urls import reverse

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.outbox.models import Message
from studylab.outbox.services.queue import message_queue
from tests.outbox.conftest import ACTOR

pytestmark = pytest.mark.django_db


def test_real_values_for_who_may_see_names_and_a_line_on_the_trail(
    ana: Any, office: Any, lead: Any, client_of: Any
) -> None:
    now = clock.now()
    message_queue(
        kind="tried", study=ana.study, participant=ana, about="thing:1", due_at=now, key="own:1",
        useful_until=now + timedelta(days=1), language="en", actor=ACTOR,
    )  # fmt: skip
    uid = str(Message.objects.get().uid)
    page, preview = (reverse(name, args=[ana.study.slug, "tried", "en"]) for name in ("wording", "wording_preview"))  # fmt: skip
    assert f'value="{uid}"' in office.get(page).content.decode()
    looks = Event.objects.filter(action=Action.CONTACT_READ, participant_code=ana.code)
    before = looks.count()
    typed = {"subject": "About", "text": "Come: {when}", "short": "", "of": uid}
    for _ in range(2):
        assert "Come: Occasion own:1" in office.post(preview, typed).content.decode()
    assert looks.count() == before + 1, "once in half an hour"
    assert office.post(preview, {**typed, "of": str(uuid4())}).status_code == 404
    blind = client_of(lead)
    assert uid not in blind.get(page).content.decode()
    assert blind.post(preview, typed).status_code == 404
    assert looks.count() == before + 1
