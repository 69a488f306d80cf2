"""What comes over the laboratory's weak network: Today the first time, and one step; compressed."""

import gzip
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from django.conf import settings
from django.contrib.staticfiles import finders

from tests.scheduling.pages.conftest import Pages
from tests.scheduling.sheet.builder import Case
from tests.scheduling.sheet.values import SEEN

pytestmark = [pytest.mark.django_db]
KB = 1000


def packed(content: bytes) -> int:
    return len(gzip.compress(content, 6))


def test_today_the_first_time_is_at_most_150_kb(
    first: Case, pages_of: Callable[[Case], Pages]
) -> None:
    page = pages_of(first).text(pages_of(first).url("today"))
    names = set(re.findall(rf'(?:href|src)="{settings.STATIC_URL}([^"]+)"', page))
    assert {"studylab/app.css", "studylab/sheet.css"} <= names
    found = [finders.find(name) for name in names]
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
