"""The requirements and the tests that show them: read from the marks, fresh in the repository, open where none does."""

from pathlib import Path
from typing import Any

import pytest
from django.urls import reverse
from django.utils.html import escape

from studylab.reports.rules.trace import (
    TRACE,
    UnknownRequirement,
    as_text,
    marks_in,
    requirements,
    trace_of,
)
from tests.reports.conftest import client_for

ROOT = Path(__file__).parents[2]


@pytest.mark.shows("A-14")
def test_the_committed_trace_is_fresh() -> None:
    assert TRACE.read_text(encoding="utf-8") == as_text(trace_of(ROOT)), (
        "run: python manage.py trace"
    )


def test_marks_of_functions_classes_and_whole_files() -> None:
    source = (
        'pytestmark = [pytest.mark.django_db, pytest.mark.shows("A-01")]\n'
        '@pytest.mark.shows("A-02", "A-03")\n@pytest.mark.slow\ndef test_one(): ...\n'
        'class TestIt:\n    @pytest.mark.shows("A-04")\n    def test_two(self): ...\n'
        "def helper(): ...\n"
    )
    assert sorted(marks_in(source)) == [
        ("A-01", "TestIt::test_two"), ("A-01", "test_one"), ("A-02", "test_one"), ("A-03", "test_one"),
        ("A-04", "TestIt::test_two"),
    ]  # fmt: skip


def test_a_mark_for_what_is_no_requirement_is_refused(tmp_path: Path) -> None:
    (tmp_path / "tests").mkdir()
    mark = "@pytest.mark." + 'shows("Z-99")'
    (tmp_path / "tests" / "test_x.py").write_text(f"{mark}\ndef test_y(): ...\n", encoding="utf-8")
    with pytest.raises(UnknownRequirement, match=r"tests/test_x.py::test_y shows Z-99"):
        trace_of(tmp_path)


def test_what_no_test_shows_says_why_and_whose_it_is_and_nothing_else_does() -> None:
    for one in requirements():
        assert bool(one.open) == bool(one.whose) == one.is_open, one.key


@pytest.mark.django_db
@pytest.mark.database
def test_the_page_shows_the_tests_and_says_what_is_open(
    study: Any, confirmed: Any, monitor: Any
) -> None:
    client = client_for(monitor)
    page = client.get(reverse("record_requirements", args=[study.slug])).content.decode()
    waiting = [one for one in requirements() if one.is_open]
    assert f"{len(requirements()) - len(waiting)} of {len(requirements())}" in page
    assert page.count("Whose: ") == len(waiting)
    assert all(escape(one.open) in page and escape(one.whose) in page for one in waiting)
    for one in requirements():
        assert one.key in page
        assert all(test.rpartition("::")[2] in page for test in one.tests)
    file = client.get(reverse("record_requirements_file", args=[study.slug])).content.decode()
    assert file.count("\r\n") >= len(requirements())
