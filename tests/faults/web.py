"""The site's own web application, on the clock that tests move, with every page imported.

Its sessions wait longer for a lock than a site's, since a test holds them there while it kills what it wants to kill.
"""

from django.conf import settings
from django.urls import get_resolver

from studylab.wsgi import application
from tests.outbox.faults import app  # sets the clock

__all__ = ["app", "application"]
settings.DATABASES["default"]["OPTIONS"]["options"] = (
    "-c lock_timeout=90000 -c statement_timeout=90000"
)
assert get_resolver().url_patterns
