"""The site's figures, as a watcher fetches them from processes that count together."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.db import connection
from django.test import Client
from prometheus_client.parser import text_string_to_metric_families

TOKEN = "not-a-secret-of-anybody-0123456789abcdef"

# One web process: answers what it is sent, hands out the figures last.
WEB = """
import json, sys
import django
django.setup()
from django.test import Client
client = Client()
codes = [client.get(path).status_code for path in sys.argv[1:]]
answer = client.get("/metrics", headers={"Authorization": "Bearer " + TOKEN})
print(json.dumps([codes, answer.status_code, answer.headers["Content-Type"], answer.content.decode()]))
"""


def web(folder: Path, *paths: str) -> Any:
    server = urlsplit(os.environ["DATABASE_URL"])
    database = server._replace(path=f"/{connection.settings_dict['NAME']}").geturl()
    done = subprocess.run(
        [sys.executable, "-c", WEB.replace("TOKEN", repr(TOKEN)), *paths], cwd=settings.BASE_DIR, check=True,
        capture_output=True, text=True,
        env={
            **os.environ, "DATABASE_URL": database, "STUDYLAB_METRICS_TOKEN": TOKEN,
            "STUDYLAB_STATE_DIR": str(folder), "DJANGO_SETTINGS_MODULE": "studylab.settings",
        },
    )  # fmt: skip
    return json.loads(done.stdout.splitlines()[-1])


@pytest.mark.django_db
def test_two_processes_count_together_and_the_database_tells_the_rest(tmp_path: Path) -> None:
    web(tmp_path, "/healthz/live", "/healthz/live")
    codes, status, kind, text = web(tmp_path, "/healthz/live", "/there-is-no-such-page/")
    assert (codes, status) == ([200, 404], 200)
    assert kind == "text/plain; version=0.0.4; charset=utf-8"
    found = {
        (sample.name, *sorted(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert found["studylab_answers_total", "200", "GET", "health_live"] == 3
    assert found["studylab_answers_total", "404", "GET", "none"] == 1
    assert found["studylab_request_seconds_count", "GET"] >= 4
    assert found["studylab_status", "workers"] == 2  # none runs here
    assert found["studylab_processes_alive", "worker"] == 0
    assert ("studylab_waiting", "Exports") in found


@pytest.mark.django_db
@pytest.mark.parametrize("given", ["", "Bearer ", f"Bearer {TOKEN[:-1]}"])
def test_without_the_token_there_is_no_such_page(client: Client, settings: Any, given: str) -> None:
    settings.METRICS_TOKEN = TOKEN
    assert client.get("/metrics", headers={"Authorization": given}).status_code == 404
    settings.METRICS_TOKEN = ""
    assert client.get("/metrics", headers={"Authorization": "Bearer "}).status_code == 404
