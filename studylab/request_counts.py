"""How many requests were answered and how long they took, counted by every web process of this machine together.

Off unless STUDYLAB_METRICS_TOKEN is set: then the settings name the folder in which the processes count.
"""

import os
from functools import cache
from pathlib import Path

from django.conf import settings

from studylab import env

_LIMITS = (0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30)  # seconds


def metrics_token(folder: Path) -> str:
    """Return the token for the figures, "" when they are off; else processes count in `folder`, which is made."""
    token = env.text("STUDYLAB_METRICS_TOKEN", "")
    if token and len(token) < 32:
        raise env.EnvProblem("STUDYLAB_METRICS_TOKEN must have at least 32 random characters.")
    if token:
        folder.mkdir(parents=True, exist_ok=True)
        os.environ.setdefault("PROMETHEUS_MULTIPROC_DIR", str(folder))
    return token


class Counts:
    """The counters of this process. No label names a study, a person or anything that somebody typed."""

    def __init__(self) -> None:
        # Imported here, since the library chooses where to count when it is imported.
        from prometheus_client import Counter, Histogram

        self.seconds = Histogram(
            "studylab_request_seconds", "Time to answer a request.", ["method"], buckets=_LIMITS
        )
        self.answers = Counter(
            "studylab_answers", "Requests answered.", ["page", "method", "status"]
        )
        self.spent = Counter("studylab_page_seconds", "Time spent on a page.", ["page"])


@cache
def _counts() -> Counts:
    return Counts()


def count_request(page: str, method: str, status: int, seconds: float) -> None:
    """Count one answered request; `page` is the name of its address. Does nothing while figures are off."""
    if not settings.METRICS_TOKEN:
        return
    found = _counts()
    known = method if method in ("GET", "POST", "HEAD", "OPTIONS") else "other"
    found.seconds.labels(known).observe(seconds)
    found.answers.labels(page, known, str(status)).inc()
    found.spent.labels(page).inc(seconds)
