"""What the program says about itself: versions, sources, data, licences, and nothing about the machine."""

import re
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from screening.rules.table import load_table
from studylab.help.rules.packages import licence_of, pins
from studylab.help.rules.sources import sources_of
from studylab.help.selectors import about as facts

ROOT = Path(__file__).parents[2]


def test_pins_are_read_with_the_reason_or_who_needs_them() -> None:
    text = (
        "# A whole file.\n--only-binary :all:\n\nabsl==2.5 \\\n    --hash=sha256:aa \\\n    --hash=sha256:bb\n"
        "    # via ortools\n# Codes for labels,\n# as SVG.\nsegno[x]==1.6.6 \\\n    --hash=sha256:cc\n"
        "    # via asked for above\nsix==1 ; python_version < '4' \\\n    --hash=sha256:dd\n    # via\n    #   a\n    #   b\n"
    )
    assert [(one.name, one.version, one.why) for one in pins(text)] == [
        ("absl", "2.5", "needed by ortools"),
        ("segno", "1.6.6", "Codes for labels, as SVG."),
        ("six", "1", "needed by a, b"),
    ]


@pytest.mark.parametrize(
    ("expression", "field", "classifiers", "said"),
    [
        ("MIT", "ignored", ["License :: OSI Approved :: BSD License"], "MIT"),
        ("", "Apache-2.0", [], "Apache-2.0"),
        ("", "BSD", ["License :: OSI Approved :: BSD License"], "BSD License"),
        ("", "BSD", [], "BSD"),
        ("", "Copyright (c)\nmany lines", ["License :: OSI Approved :: BSD License"], "BSD License"),
        ("", "", ["License :: OSI Approved", "Topic :: Utilities"], ""),
        ("", "Dual License", ["License :: OSI Approved :: A", "License :: OSI Approved :: B"], "A, B"),
    ],
)  # fmt: skip
def test_a_licence_is_what_the_package_says(
    expression: str, field: str, classifiers: list[str], said: str
) -> None:
    assert licence_of(expression, field, classifiers) == said


def test_sources_are_taken_apart_and_counted() -> None:
    named, own = sources_of(
        ["A label (read); from memory", "A label (read)", "B 1980, 51:1 (read; name from memory)"]
    )
    assert [(one.text, one.rules) for one in named] == [
        ("A label (read)", 2),
        ("B 1980, 51:1 (read; name from memory)", 1),
    ]
    assert [(one.text, one.rules) for one in own] == [("from memory", 1)]


def test_every_rule_leads_to_a_line() -> None:
    lines = {one.text for part in facts.rule_sources() for one in part}
    for row in load_table().rows:
        assert any(line in row.source for line in lines), row.id
    assert "UK SmPC 4.3 (read)" in lines


def test_every_pinned_package_is_there_and_nearly_all_state_a_licence() -> None:
    known = {one.pin.name: one for one in facts.packages()}
    wanted = re.findall(
        r"^([A-Za-z0-9._-]+)(?:\[[^\]]*\])?==", (ROOT / "requirements.txt").read_text(), re.M
    )
    assert sorted(known) == sorted(wanted)
    assert known["django"].licence == "BSD-3-Clause"
    assert known["django"].version == metadata.version("django")
    silent = [name for name, one in known.items() if one.version and not one.licence]
    assert len(silent) <= 3, silent


def test_the_digest_follows_the_files(tmp_path: Path, settings: Any) -> None:
    for part in facts.OF_THE_PROGRAM:
        (tmp_path / part).mkdir()
    (tmp_path / "requirements.txt").write_text("x==1\n")
    page = tmp_path / "templates" / "a.html"
    page.write_text("one")
    settings.BASE_DIR = tmp_path
    digest = facts.program_digest.__wrapped__
    first = digest()
    assert digest() == first
    (tmp_path / "studylab" / "__pycache__").mkdir()
    (tmp_path / "studylab" / "__pycache__" / "a.pyc").write_text("made by running")
    assert digest() == first
    page.write_text("two")
    second = digest()
    page.rename(page.with_name("b.html"))
    assert len({first, second, digest()}) == 3


@pytest.mark.django_db
def test_the_page_tells_what_runs_and_nothing_about_the_machine(
    pharmacist: Any, client_of: Any
) -> None:
    client = client_of(pharmacist)
    page = client.get("/about/").content.decode()
    for words in (
        "PostgreSQL",
        "never decides medicine",
        "NHANES",
        "LGPL-3.0-only",
        load_table().hash,
    ):
        assert words in page
    for secret in (
        str(settings.BASE_DIR),
        settings.DATABASES["default"]["NAME"],
        settings.SECRET_KEY,
    ):
        assert str(secret) not in page
    assert 'href="/about/"' in page
    text = client.get("/about/licences/django/").content.decode()
    assert "Redistribution and use" in text
    assert client.get("/about/licences/os/").status_code == 404
    assert client.get("/about/licences/..%2Fetc/").status_code == 404
