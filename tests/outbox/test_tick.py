"""The tick over a broker that nobody hears: a process of its own, since this one keeps its own broker."""

import os
import socket
import subprocess
import sys
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.db import connection

from studylab import clock
from studylab.celery import app
from studylab.outbox.models import Message
from tests.outbox.conftest import queue_staff

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]
TICK = "import django; django.setup(); from studylab.outbox.tasks import tick; tick()"


def test_what_no_broker_hears_of_waits_for_the_next_tick(study: Any, lead: Any) -> None:
    """Not for its claim to lapse: that is ten minutes later."""
    now = clock.now()
    for number in range(3):
        queue_staff(study, lead, number, due_at=now, useful_until=now.replace(year=now.year + 1))
    here = urlsplit(os.environ["DATABASE_URL"])
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        given = {
            "DATABASE_URL": here._replace(path=f"/{connection.settings_dict['NAME']}").geturl(),
            "DJANGO_SETTINGS_MODULE": "studylab.settings",
            "REDIS_URL": f"redis://127.0.0.1:{unused.getsockname()[1]}/0",
            "STUDYLAB_SMTP_HOST": "127.0.0.1",
            "STUDYLAB_SMTP_SECURITY": "none",
            "STUDYLAB_MAIL_FROM": "study@lab.example",
        }
        done = subprocess.run(
            [sys.executable, "-c", TICK], env={**os.environ, **given}, cwd=settings.BASE_DIR,
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    assert done.stderr.count("No broker took the message") == 1
    assert set(Message.objects.values_list("state", "claim")) == {("waiting", None)}


def test_what_is_sent_has_a_queue_of_its_own_and_a_plain_worker_hears_both() -> None:
    def queue_of(task: str) -> str:
        return str(app.amqp.router.route({}, task)["queue"].name)

    assert queue_of("outbox.send") == "sends"
    ticks = {job["task"] for job in app.conf.beat_schedule.values()}
    assert {queue_of(task) for task in ticks} == {"celery"}
    assert set(app.amqp.queues.consume_from) == {"celery", "sends"}
