"""The Celery application. The database table is the queue; a message is only a knock on the door."""

import os

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "studylab.settings")

app = Celery("studylab")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
