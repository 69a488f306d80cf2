"""Ticks that come at once, over connections of their own: every row, every step and every mail once."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from studylab.access import Role, system_actor
from studylab.notices.models import Escalation, Standing
from studylab.notices.services.standing import notices_stand
from studylab.operation.models import StatusNote
from studylab.outbox.models import Message
from studylab.participants.models import Hold
from studylab.participants.services import hold_open
from tests import cast
from tests.allocation.test_many_at_once import all_at_once
from tests.scheduling import lab as the_lab

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.database]


def test_ticks_at_once_take_everything_down_once(study: Any, clinician: Any, lead: Any) -> None:
    ever = datetime(
        2100, 1, 1, tzinfo=UTC
    )  # background work is heard of, or the lead would need that
    StatusNote.objects.create(key="beat", title="Beat", state="ok", since=ever, seen_at=ever)
    hold_open(
        participant=the_lab.make_participant(study, 1), kind=Hold.Kind.OTHER, reason="Looked at again.",
        actor=cast.actor_of(clinician, study),
    )  # fmt: skip

    def tick() -> None:
        notices_stand(study=study, actor=system_actor("test"))

    assert all_at_once([tick] * 4) == [None] * 4
    red = Standing.objects.get(study=study, role=Role.CLINICIAN, shape="stop")
    assert Message.objects.filter(kind="notice_urgent", user=clinician).count() == 1
    # Unread for longer than the study allows: the next steps are due, for all ticks at once.
    Standing.objects.update(since=red.since - timedelta(minutes=15))
    assert all_at_once([tick] * 4) == [None] * 4
    assert list(Escalation.objects.values_list("step", "role")) == [(1, "lead")]
    assert Message.objects.filter(kind="notice_urgent", user=lead).count() == 1
