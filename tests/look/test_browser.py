"""In Chromium: no accessibility violation, keyboard lands on errors, countdowns follow the server's clock."""

from typing import Any

import pytest
from django.test import Client

from studylab.people.views import errors
from tests.look.chromium import browser_with, violations

pytestmark = [
    pytest.mark.urls("tests.look.site"), pytest.mark.browser,
    pytest.mark.django_db,
]  # fmt: skip
COUNT = """<!doctype html><html lang="en"><title>t</title><main>
<time id="wait" data-countdown data-until="2026-03-02T15:30:00+00:00" data-server-now="2026-03-02T15:29:50+00:00"
 data-label="Wait">due 15:30</time>
<time id="run" data-since="2026-03-02T14:00:00+00:00" data-server-now="2026-03-02T15:29:50+00:00">since 14:00</time>
</main><script src="/static/studylab/countdown.js"></script></html>"""

HEADS = (
    "Code",
    "Taken at the desk",
    "Physician decides",
    "What waits for it",
    "Recorded on that day",
    "Why",
)
STYLES = """<link rel="stylesheet" href="/static/js-lib-bootstrap5/css/bootstrap.min.css">
<link rel="stylesheet" href="/static/studylab/theme.css"><link rel="stylesheet" href="/static/studylab/app.css">
<link rel="stylesheet" href="/static/studylab/parts.css"><link rel="stylesheet" href="/static/studylab/reports.css">
<link rel="stylesheet" href="/static/studylab/sheet.css">"""
# A large study in its fourth hour of being late: numbers of several digits, and a long count.
LARGE = f"""<!doctype html><html lang="en"><title>t</title>{STYLES}<main class="container">
<section class="card-block work"><h2>Asked for by the physician, a heading that needs its room <span class="work-count">1,240</span></h2></section>
<ul class="figures">{
    '''<li><a href="/"><span class="figure-number">1,440</span>
<span class="state state-stop">sign-offs lapsed or void</span></a></li>'''
    * 3
}</ul>
<ol><li class="today-row"><div class="today-time">13:20</div><div class="today-next"><p class="today-count"><time data-countdown
 data-until="2026-03-02T12:00:00+00:00" data-server-now="2026-03-02T15:29:50+00:00" data-label="Check">due</time></p></div></li></ol>
</main><script src="/static/studylab/countdown.js"></script></html>"""
WIDE = f"""<!doctype html><html lang="en"><title>t</title>{STYLES}
<main><h1>People</h1><div class="table-wrap"><table class="table">
<thead><tr>{"".join(f'<th scope="col">{head}</th>' for head in HEADS)}</tr></thead>
<tbody><tr><th scope="row">SL-1</th>{"".join(f"<td>value of {head.lower()}</td>" for head in HEADS[1:])}</tr>
<tr><th scope="row">SL-2</th><td><span class="state state-stop">unclear whether it was sent</span></td></tr></tbody>
</table></div></main><script src="/static/studylab/app.js"></script></html>"""


@pytest.fixture
def pages(study: Any, clinician: Any, client_of: Any) -> dict[str, str]:
    """Finished pages, by address."""
    client, base = client_of(clinician), f"/s/{study.slug}/"
    gets = {
        name: client.get(base + name)
        for name in ("parts/", "today/", "list/", "conflict/", "nothing/")
    }
    return {
        "/sign-in/": Client().get("/sign-in/").content.decode(),
        "/broken/": errors.broken(client.get("/sign-in/").wsgi_request).content.decode(),
        "/wrong/": client.post(base + "parts/", {}).content.decode(),
        **{f"/{name}": response.content.decode() for name, response in gets.items()},
    }


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_an_accessibility_violation(pages: dict[str, str], scheme: str) -> None:
    found = {}
    with browser_with(pages) as browser:
        for width in (390, 1280):
            context = browser.new_context(
                color_scheme=scheme, viewport={"width": width, "height": 900}
            )
            page = context.new_page()
            for path in pages:
                page.goto(path)
                if hits := violations(page, scheme):
                    found[path, width] = hits
                wide = page.evaluate("document.documentElement.scrollWidth")
                if wide > width:
                    found[path, width] = [f"{wide} px wide"]
    assert found == {}


def test_everything_to_press_is_big_enough_for_a_thumb(pages: dict[str, str]) -> None:
    fields = "input:not([type=hidden]):not([type=radio]):not([type=checkbox]), select, .form-check"
    pressed = f"a.btn, button, .site-nav a, .site-name, {fields}"
    small = f"""[...document.querySelectorAll("{pressed}")].filter((e) => e.checkVisibility() && e.offsetHeight < 44)
        .map((e) => e.outerHTML.slice(0, 80))"""
    with browser_with(pages) as browser:
        page = browser.new_context(viewport={"width": 820, "height": 1180}).new_page()
        found = {}
        for path in pages:
            page.goto(path)
            if hits := page.evaluate(small):
                found[path] = hits
    assert found == {}


def test_errors_take_the_focus_and_lead_into_the_field(pages: dict[str, str]) -> None:
    with browser_with(pages) as browser:
        page = browser.new_context().new_page()
        page.goto("/wrong/")
        assert page.evaluate("document.activeElement.textContent") == "This was not saved"
        page.get_by_role("link", name="Asthma? – This field is required.").click()
        assert page.evaluate("document.activeElement.id") == "id_asthma_0"


def test_countdown_follows_the_server_when_the_tablet_is_wrong() -> None:
    """The tablet is an hour slow; ten seconds are left by the server's clock."""
    with browser_with({"/": COUNT}) as browser:
        page = browser.new_context().new_page()
        said: list[str] = []
        page.expose_function("noteDue", lambda: said.append("due"))
        page.add_init_script("document.addEventListener('countdown:due', () => window.noteDue())")
        page.clock.install(time="2026-03-02T14:29:50Z")
        page.goto("/")
        wait, run = page.locator("#wait"), page.locator("#run")
        first = wait.text_content()
        assert first in ("0:10 left", "0:09 left")
        assert run.text_content() in ("1:29:50", "1:29:51")
        page.clock.run_for(6000)
        assert wait.text_content() in ("0:04 left", "0:03 left")
        assert said == []
        page.clock.run_for(5000)
        assert (wait.text_content() or "").startswith("due 0:0")
        page.clock.run_for(3000)
        assert said == ["due"]
        assert page.locator("#countdown-said").text_content() == "Wait is due."


@pytest.mark.parametrize(("width", "row"), [(390, "block"), (1280, "table-row")])
def test_a_wide_table_is_read_row_by_row_on_the_phone_and_stays_a_table(
    width: int, row: str
) -> None:
    """Nothing scrolls sideways, each value stands beside the name of its column, roles are those of a table."""
    with browser_with({"/": WIDE}) as browser:
        page = browser.new_context(viewport={"width": width, "height": 844}).new_page()
        page.goto("/")
        wrap = page.locator(".table-wrap")
        assert wrap.evaluate("(box) => box.scrollWidth <= box.clientWidth")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert (
            page.locator("tbody tr").first.evaluate("(row) => getComputedStyle(row).display") == row
        )
        assert page.get_by_role("rowheader", name="SL-1").count() == 1
        cell = page.get_by_role("table").get_by_role("cell", name="value of why")
        assert cell.count() == 1
        label = cell.evaluate("(cell) => getComputedStyle(cell, '::before').content")
        assert label == ('"Why"' if row == "block" else "none")


@pytest.mark.parametrize("width", [360, 1280])
def test_large_numbers_and_long_counts_stay_whole_and_on_the_page(width: int) -> None:
    lines = (
        "(one) => one.getBoundingClientRect().height / parseFloat(getComputedStyle(one).lineHeight)"
    )
    with browser_with({"/": LARGE}) as browser:
        page = browser.new_context(viewport={"width": width, "height": 844}).new_page()
        page.goto("/")
        assert "3:2" in (page.locator("time").text_content() or "")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        for name in (".figure-number", ".work-count"):
            assert page.locator(name).first.evaluate(lines) < 1.9, name
