"""Shows finished pages to Chromium without a server: pages from memory, static files from their folders."""

import mimetypes
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.contrib.staticfiles import finders

SITE = "http://studylab.example"
_BROKEN_RULES = """(options) => axe.run({resultTypes: ["violations"], ...options}).then((answer) =>
    answer.violations.map((one) => one.id + ": " + one.nodes[0].html.slice(0, 120)))"""


@contextmanager
def chromium() -> Iterator[Any]:
    """Yield a Chromium; without one the test is skipped by name, or fails where a browser is required."""
    executable = (
        os.environ.get("STUDYLAB_CHROMIUM")
        or shutil.which("chromium")
        or shutil.which("google-chrome")
    )
    if executable is None:
        if "browser" in os.environ.get("STUDYLAB_REQUIRE", "").split(","):
            pytest.fail("Chromium is required here and was not found.")
        pytest.skip("Chromium was not found.")
    from playwright.sync_api import sync_playwright

    # Containers seldom give the browser what its sandbox needs, and often a small /dev/shm.
    arguments = ["--no-sandbox", "--disable-dev-shm-usage"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=executable, args=arguments)
        yield browser
        browser.close()


def violations(page: Any, scheme: str, **options: Any) -> list[str]:
    """Return what axe finds on the page: against all its rules in the light; in the dark only colours differ.

    Only what is wrong is worked out in full and comes back: what passes is most of a page.
    """
    from axe_playwright_python.base import AXE_SCRIPT

    if scheme == "dark":
        options["runOnly"] = ["color-contrast"]
    page.evaluate(AXE_SCRIPT)
    found: list[str] = page.evaluate(_BROKEN_RULES, options)
    return found


@contextmanager
def browser_with(pages: dict[str, str]) -> Iterator[Any]:
    """Yield a Chromium that knows `pages` (path to HTML) and our static files, and nothing else."""

    def answer(route: Any) -> None:
        path = urlsplit(route.request.url).path
        found = finders.find(path.removeprefix("/static/")) if path.startswith("/static/") else None
        if found:
            kind = mimetypes.guess_type(str(found))[0] or "application/octet-stream"
            route.fulfill(body=Path(str(found)).read_bytes(), content_type=kind)
        elif path in pages and route.request.url.startswith(SITE):
            route.fulfill(body=pages[path], content_type="text/html; charset=utf-8")
        else:
            route.abort()

    with chromium() as browser:
        make = browser.new_context

        def context(**kwargs: Any) -> Any:
            fresh = make(base_url=SITE, **kwargs)
            fresh.route("**/*", answer)
            return fresh

        browser.new_context = context
        yield browser
