"""In Chromium: the help beside a page, opened by its key or its link, closed by Esc; typed text stays."""

from typing import Any

import pytest

from tests.look.chromium import browser_with, violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db]


@pytest.fixture
def pages(study: Any, coordinator: Any, client_of: Any) -> dict[str, str]:
    """A page with a field, the whole help, and the part of it that the panel asks for."""
    client, base = client_of(coordinator), f"/s/{study.slug}"
    part = client.get(f"{base}/help/?page=volunteers", headers={"hx-request": "true"})
    return {
        "/volunteers/": client.get(f"{base}/volunteers/").content.decode(),
        f"{base}/help/": part.content.decode(),
        "/whole/": client.get(f"{base}/help/?all=1").content.decode(),
        "/about/": client.get("/about/").content.decode(),
    }


def test_help_opens_beside_the_page_and_leaves_it_alone(pages: dict[str, str]) -> None:
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 390, "height": 900}).new_page()
        page.goto("/volunteers/")
        page.fill("#sought", "HT-")
        page.focus("#sought")
        page.keyboard.press("?")
        assert page.input_value("#sought") == "HT-?"
        assert not page.evaluate("document.querySelector('.help-panel').open")
        page.click("h1")
        page.keyboard.press("?")
        page.wait_for_selector(".help-panel[open]")
        assert page.evaluate("document.activeElement.id") == "help-title"
        assert "Finding and adding volunteers" in page.inner_text(".help-panel h1")
        assert violations(page, "light") == []
        page.keyboard.press("Escape")
        assert not page.evaluate("document.querySelector('.help-panel').open")
        page.click("[data-help]")
        page.wait_for_selector(".help-panel[open]")
        page.evaluate("document.dispatchEvent(new CustomEvent('studylab:locked'))")
        assert not page.evaluate("document.querySelector('.help-panel').open")
        assert page.input_value("#sought") == "HT-?"
        assert page.url.endswith("/volunteers/")


def test_the_pages_of_the_help_have_no_accessibility_violation(pages: dict[str, str]) -> None:
    found = {}
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 390, "height": 900}).new_page()
        for path in ("/whole/", "/about/"):
            page.goto(path)
            page.evaluate(
                "document.querySelectorAll('details').forEach((one) => { one.open = true; })"
            )
            if hits := violations(page, "light"):
                found[path] = hits
            if (wide := page.evaluate("document.documentElement.scrollWidth")) > 390:
                found[f"{path} is wide"] = wide
    assert found == {}
