"""What comes over the laboratory's weak network: Today the first time, and one step; compressed."""

import gzip
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.staticfiles import finders

from tests.people.tablets import enrol
from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db]
KB = 1000


def packed(content: bytes) -> int:
    return len(gzip.compress(content, 6))


def with_imports(names: set[str]) -> set[str]:
    """These static files and the modules that they import."""
    more = set()
    for name in names:
        text = Path(str(finders.find(name))).read_text("utf-8") if name.endswith(".js") else ""
        beside = re.findall(r'from "\./([a-z_]+\.js)";', text)
        more |= {f"{name.rpartition('/')[0]}/{one}" for one in beside}
    return names if more <= names else with_imports(names | more)


def test_today_the_first_time_is_at_most_150_kb(
    first: Case, pages_of: Callable[[Case], Pages]
) -> None:
    page = pages_of(first).text(pages_of(first).url("today"))
    names = set(re.findall(rf'(?:href|src)="{settings.STATIC_URL}([^"]+)"', page))
    assert {"studylab/app.css", "studylab/sheet.css", "studylab/tablet/page.js"} <= names
    found = [finders.find(name) for name in with_imports(names)]
    assert all(isinstance(path, str) for path in found), names
    total = packed(page.encode()) + sum(packed(Path(str(path)).read_bytes()) for path in found)
    assert total <= 150 * KB, total


def test_a_step_and_the_sheet_after_it_are_at_most_5_kb(
    first: Case, pages_of: Callable[[Case], Pages]
) -> None:
    pages = pages_of(first)
    answer = pages.record(1, "identity", **SEEN)
    assert answer.status_code == 302
    sheet = pages.get(answer["Location"].partition("#")[0])
    assert packed(answer.content) + packed(sheet.content) <= 5 * KB, packed(sheet.content)


def test_a_kept_sheet_taken_onto_the_tablet_is_at_most_2_kb(
    first: Case, pages_of: Callable[[Case], Pages]
) -> None:
    """It comes along with each sheet, so that work can go on when the network goes."""
    pages = pages_of(first)
    with first.now():
        _, named = enrol(first.study, pages.user("lead"))
    cookie = named.cookies[settings.DEVICE_COOKIE_NAME].value
    pages.client("experimenter").cookies[settings.DEVICE_COOKIE_NAME] = cookie
    kept = pages.get(pages.visit_url("sheet_keep", 1))
    assert kept.json()["sheet"]["steps"]
    assert packed(kept.content) <= 2 * KB, packed(kept.content)
