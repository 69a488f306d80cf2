"""What every template and static file keeps to, whoever writes it."""

import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command
from django.template.loader import get_template
from django.test import override_settings

ROOT = Path(__file__).parents[2]
TEMPLATES = ROOT / "templates"
STATIC = ROOT / "studylab" / "static" / "studylab"
PAGES = sorted(TEMPLATES.rglob("*.html"))
FORBIDDEN = {
    "inline style": re.compile(r"""\sstyle\s*=""", re.I),
    "style element": re.compile(r"<style\b", re.I),
    "inline script": re.compile(r"<script\b(?![^>]*\ssrc=)", re.I),
    "event handler attribute": re.compile(r"""<[^>]*\son[a-z]+\s*=\s*["']""", re.I),
    "htmx attribute that needs eval": re.compile(
        r"""\shx-on|hx-(?:vals|headers|vars)\s*=\s*["']js:""", re.I
    ),
    "javascript address": re.compile(r"javascript:", re.I),
    "other host": re.compile(r"""(?:https?:)?//(?!www\.w3\.org/2000/svg)[a-z0-9-]+\.[a-z]""", re.I),
}
_STATIC_NAME = re.compile(r"""{%\s*static\s+["']([^"']+)["']""")


def _name(path: Path) -> str:
    return path.relative_to(TEMPLATES).as_posix()


def _named_static_files() -> set[str]:
    return {
        name for page in PAGES for name in _STATIC_NAME.findall(page.read_text(encoding="utf-8"))
    }


@pytest.mark.parametrize("page", PAGES, ids=_name)
def test_template_keeps_the_house_rules(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    found = [
        f"{what}: {hit[0].strip()}"
        for what, rule in FORBIDDEN.items()
        if (hit := rule.search(text))
    ]
    assert found == []
    assert len(text.splitlines()) <= 120, "split this template"
    for image in re.findall(r"<img\b[^>]*>", text):
        assert re.search(r"\salt=", image), f"{image} has no alt text"
    get_template(_name(page))


@pytest.mark.parametrize(
    ("what", "markup"),
    [
        ("inline style", '<p style="color:red">'),
        ("style element", "<style>p{}</style>"),
        ("inline script", "<script>alert(1)</script>"),
        ("event handler attribute", '<a href="#" onclick="go()">'),
        ("htmx attribute that needs eval", '<a hx-on:click="go()">'),
        ("htmx attribute that needs eval", "<a hx-vals='js:{a: 1}'>"),
        ("javascript address", '<a href="javascript:go()">'),
        ("other host", '<link href="https://fonts.example/a.css">'),
        ("other host", '<script src="//cdn.example/a.js"></script>'),
    ],
)
def test_the_rules_catch_what_they_name(what: str, markup: str) -> None:
    assert FORBIDDEN[what].search(markup)


def test_static_files_named_in_templates_exist() -> None:
    missing = [name for name in sorted(_named_static_files()) if finders.find(name) is None]
    assert missing == []
    assert "studylab/app.css" in _named_static_files()


def test_hashed_names_exist_for_every_static_file(tmp_path: Path) -> None:
    """With the storage of production a missing name breaks the page, often an error page."""
    storages = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "studylab.static_files.HashedFiles"},
    }
    with override_settings(STATIC_ROOT=tmp_path, STORAGES=storages, DEBUG=False):
        call_command("collectstatic", interactive=False, verbosity=0)
        from django.contrib.staticfiles.storage import staticfiles_storage

        for name in sorted(_named_static_files()):
            assert re.search(r"\.[0-9a-f]{12}\.", staticfiles_storage.url(name)), name
        # A module of one release never comes with one of another that it imports.
        page = tmp_path / staticfiles_storage.stored_name("studylab/tablet/page.js")
        imported = re.findall(r'from "\./([^"]+)"', page.read_text("utf-8"))
        assert len(imported) >= 5
        assert all(re.search(r"\.[0-9a-f]{12}\.js$", name) for name in imported), imported
        page = get_template("errors/broken.html").render({"at": "now"})
        assert re.search(r"studylab/app\.[0-9a-f]{12}\.css", page)


def test_scripts_and_sheets_ask_no_other_host_and_run_no_text() -> None:
    for file in [*STATIC.glob("*.js"), *STATIC.glob("*.css"), *STATIC.rglob("*.svg")]:
        text = file.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(
            r"https?://|@import|\beval\(|new Function|innerHTML|document\.write", text
        ), file.name
        assert len(text.splitlines()) <= 300, file.name
