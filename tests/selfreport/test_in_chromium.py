"""The whole questionnaire on a phone, in French, at a live server: stopped in the middle, and sent.

Chromium with the size, touch and language of a phone; no accessibility violation on the way (axe-core, WCAG 2.2
AA), no message of the browser's console, no word of health in an address or a title, no way out of the site.
"""

import re
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.urls import reverse

from screening.models import AnswerSet, SelfReportEntry
from studylab.access import Actor
from studylab.participants.models import Consent
from tests import cast
from tests.look.chromium import chromium, violations
from tests.participants.people import add
from tests.selfreport.phone import make

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PHONE = {
    "viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True,
    "device_scale_factor": 2, "locale": "fr-CA", "reduced_motion": "reduce",
}  # fmt: skip
RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def study(transactional_db: Any) -> Any:
    """The invented study in both languages; the live server reads it from other connections."""
    study = cast.make_study()
    study.languages = ["en", "fr-ca"]
    study.save()
    return study


class Screen:
    """One phone, watched: every address, title and message of the console."""

    def __init__(self, browser: Any, site: str, scheme: str = "light") -> None:
        self.page = browser.new_context(**PHONE, color_scheme=scheme).new_page()
        self.site, self.said, self.asked = site, [], []
        self.page.on("console", lambda message: self.said.append(message.text))
        self.page.on("pageerror", lambda problem: self.said.append(str(problem)))
        self.page.on("request", lambda request: self.asked.append((request.url, request.headers)))

    def press(self, words: str) -> None:
        """Press the button with these words."""
        self.page.get_by_role("button", name=words, exact=True).click()

    def accessible(self) -> None:
        """Nothing on this page that axe-core finds against its rules."""
        wrong = violations(self.page, "light", runOnly={"type": "tag", "values": RULES})
        assert wrong == [], self.page.url
        assert self.page.evaluate("document.documentElement.scrollWidth") <= 390

    def everything_no(self) -> None:
        """Answer what is shown with "Non", and with a number where one is asked for."""
        for answer in self.page.locator("fieldset.ask:visible input[value=no]").all():
            answer.check()
        for amount in self.page.locator(".amount:visible > input").all():
            amount.fill(
                "71,5"
                if amount.get_attribute("name") == "weight_kg"
                else "170"
                if amount.get_attribute("name") == "height_cm"
                else "2"
            )


def test_a_volunteer_answers_in_french_on_a_phone(
    live_server: Any, study: Any, coordinator: Any, actor_of: Any
) -> None:
    keeper: Actor = actor_of(coordinator)
    ana = add(keeper, study, agreed_at=None, agreed_method="")
    link = f"{live_server.url}{reverse('link_door')}#{make(keeper, ana).token}"
    with chromium() as browser:
        phone = Screen(browser, live_server.url)
        walk(phone, link)
        stranger = Screen(browser, live_server.url, scheme="dark")
        stranger.page.goto(link)
        stranger.press("Ouvrir ma page")
        assert "Ce lien ne s’ouvre pas" in stranger.page.content()
        stranger.accessible()
    assert Consent.objects.get(participant=ana).method == "link"
    sent = AnswerSet.objects.get(participant=ana)
    assert sent.answers["C-01"] == {"value": "yes", "detail": "Petit, vers 8 ans."}
    assert (sent.height_cm, sent.weight_kg) == (170, 71.5)
    assert [medicine["name"] for medicine in sent.medicines] == ["la pompe bleue"]
    assert sent.self_report.language == "fr-ca"
    assert SelfReportEntry.objects.filter(key="C-01").count() == 1
    watched(phone, link)


def walk(phone: Screen, link: str) -> None:
    """From the door to the thanks, with a reload and a second visit in the middle."""
    page = phone.page
    page.goto(link)
    phone.accessible()
    phone.press("Ouvrir ma page")
    page.get_by_role("heading", name="Avant de vous poser").wait_for()
    phone.accessible()
    phone.press("J’accepte")
    page.locator("input[name='C-01'][value=yes]").check()
    page.locator("textarea[name='C-01-detail']").fill("Petit, vers 8 ans.")
    phone.press("Continuer")  # two questions are open
    page.get_by_text("2 questions n’ont pas encore de réponse").wait_for()
    phone.accessible()
    for name in ("C-01b", "C-02"):
        page.locator(f"input[name='{name}'][value=no]").check()
    phone.press("Continuer")
    phone.everything_no()
    page.reload()  # what was not sent yet is not kept; what was sent is
    assert page.locator("input:checked").count() == 0
    assert "Partie 2 de 13" in page.content()
    page.get_by_role("link", name="Retour").click()
    assert page.locator("textarea[name='C-01-detail']").input_value() == "Petit, vers 8 ans."
    phone.press("Continuer")
    phone.everything_no()
    phone.press("Enregistrer et terminer plus tard")
    phone.accessible()
    page.goto(link)  # opened again another day, on the same phone
    phone.press("Ouvrir ma page")
    assert page.locator("input:checked").count() >= 10
    finish(phone)


def finish(phone: Screen) -> None:
    """From the second screen to the end."""
    page = phone.page
    for number in range(2, 14):
        page.get_by_text(f"Partie {number} de 13").wait_for()
        if page.locator("input[name=none]").count():
            page.get_by_label("Comment l’appelez-vous?").fill("la pompe bleue")
            phone.press("Enregistrer et ajouter un autre médicament")
            assert page.get_by_label("Comment l’appelez-vous?").count() == 2
        else:
            phone.everything_no()
        if number in (4, 9, 10, 12):
            phone.accessible()
        phone.press("Continuer")
    page.get_by_role("heading", name="Vérifier et envoyer").wait_for()
    phone.accessible()
    assert page.get_by_text("la pompe bleue").is_visible()
    phone.press("Envoyer mes réponses")
    page.get_by_text("Vos réponses sont arrivées.").wait_for()
    phone.accessible()


def watched(phone: Screen, link: str) -> None:
    """What the phone asked for, and what its browser said."""
    secret = link.partition("#")[2]
    assert [text for text in phone.said if "422" not in text] == []
    assert {urlsplit(url).netloc for url, _headers in phone.asked} == {urlsplit(link).netloc}
    for url, headers in phone.asked:
        assert secret not in url.partition("#")[0]
        assert not headers.get("referer")
        assert re.fullmatch(r"/(static/.+|my/(questions/(\w+/)?)?)", urlsplit(url).path), url
        assert not urlsplit(url).query
