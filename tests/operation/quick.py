"""The site's Celery application with one tick a second, on a queue that the environment names."""

import os

from studylab.celery import app

app.conf.beat_schedule = {
    "tick": {
        "task": "operation.tick",
        "schedule": 1.0,
        "options": {"queue": os.environ["TICK_QUEUE"]},
    }
}
