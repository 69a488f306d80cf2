"""The pages of volunteers, consents and deviations in Chromium: no accessibility violation, light and dark."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from django.test import Client

from studylab.access import Actor
from studylab.participants.models import Participant
from studylab.participants.services import (
    deviation_close,
    deviation_explain,
    deviation_record,
    hold_open,
)
from tests import cast
from tests.look.chromium import browser_with, violations
from tests.participants.people import BEN, add, assess, correct, fill_in, give_consent, url

pytestmark = [pytest.mark.browser, pytest.mark.django_db]


@pytest.fixture
def story(
    ana: Participant, study: Any, keeper: Actor, noon: datetime, lead: Any, actor_of: Any
) -> dict[str, Any]:
    """A hold, a corrected consent, a closed and an open deviation, and a second volunteer."""
    hold = hold_open(participant=ana, kind="symptom", reason="fainted on the stairs", actor=keeper)
    consent = give_consent(keeper, ana, noon - timedelta(hours=2), staff=noon - timedelta(hours=3))
    correct(keeper, consent, noon - timedelta(hours=4), reason="wrong line read")
    step = {"study": study, "kind": "step", "what": "cards shown twice", "occurred_at": noon}
    closed = deviation_record(**step, participant=ana, actor=keeper)
    deviation_explain(deviation=closed, explanation="projector hung", actor=keeper)
    assess(closed, actor_of(lead))
    deviation_close(deviation=closed, password=cast.PASSWORD, actor=actor_of(lead))
    open_one = deviation_record(**step, actor=keeper)
    return {"hold": hold, "closed": closed, "open": open_one, "ben": add(keeper, study, BEN)}


@pytest.fixture
def pages(
    story: dict[str, Any],
    ana: Participant,
    study: Any,
    office: Client,
    clinician: Any,
    client_of: Any,
) -> dict[str, str]:
    """Finished pages in their fullest state, by name."""
    doctor = client_of(clinician)
    hold, closed, open_one, ben = (story[name] for name in ("hold", "closed", "open", "ben"))

    closing = url(study, "deviation_close", open_one.uid)
    answers = {
        "list": office.get(url(study, "volunteers")),
        "found": office.post(url(study, "volunteer_find"), {"sought": "nobody"}),
        "add": office.get(url(study, "volunteer_add")),
        "add-wrong": office.post(url(study, "volunteer_add"), {"email": "søren@mail.example"}),
        "add-duplicate": office.post(url(study, "volunteer_add"), {
            "family_name": "Lopez", "given_names": "Eve", "birth_date": "1998-03-04", "phone": "07700900555",
            "agreed_method": "spoken", "agreed_at": "2026-03-10T08:00",
        }),
        "contact": office.get(url(study, "volunteer_contact", ana.code)),
        "contact-shown": office.post(url(study, "volunteer_contact", ana.code)),
        "contact-change": office.post(url(study, "volunteer_contact_change", ana.code)),
        "consents": office.get(url(study, "consents", ana.code)),
        "consent-add": office.get(url(study, "consent_add", ben.code)),
        "consent-add-wrong": office.post(url(study, "consent_add", ben.code), {}),
        "consent-correct": office.get(url(study, "consent_correct", ana.code)),
        "withdraw": office.get(url(study, "volunteer_withdraw", ana.code)),
        "end-wrong": office.post(url(study, "volunteer_end", ana.code), {}),
        "hold-add": office.get(url(study, "hold_add", ana.code)),
        "hold-release": doctor.get(url(study, "hold_release", hold.uid)),
        "deviations": office.get(url(study, "deviations")),
        "deviation-open": doctor.get(url(study, "deviation", open_one.uid)),
        "deviation-closed": doctor.get(url(study, "deviation", closed.uid)),
        "deviation-add": office.get(url(study, "deviation_add")),
        "deviation-explain": office.get(url(study, "deviation_explain", open_one.uid)),
        "deviation-close-wrong": fill_in(doctor, closing, {"password": "x"}),
    }  # fmt: skip
    assert {
        name: a.status_code for name, a in answers.items() if a.status_code not in (200, 422)
    } == {}
    return {f"/{name}/": answer.content.decode() for name, answer in answers.items()}


FIELDS = "input:not([type=hidden]):not([type=radio]):not([type=checkbox]), select, .form-check"
SMALL = f"""[...document.querySelectorAll("a.btn, button, {FIELDS}")]
    .filter((e) => e.checkVisibility() && e.offsetHeight < 44).map((e) => e.outerHTML.slice(0, 80))"""


@pytest.mark.parametrize(("scheme", "width"), [("light", 390), ("dark", 1280)])
def test_pages_are_accessible(pages: dict[str, str], scheme: str, width: int) -> None:
    """No violation, nothing wider than the screen, nothing to press lower than 44 px."""
    found: dict[str, list[str]] = {}
    with browser_with(pages) as browser:
        view = {"width": width, "height": 900}
        page = browser.new_context(color_scheme=scheme, viewport=view).new_page()
        for path in pages:
            page.goto(path)
            hits = violations(page, scheme)
            hits += page.evaluate(SMALL)
            wide = page.evaluate("document.documentElement.scrollWidth")
            hits += [f"{wide} px wide"] if wide > width else []
            if hits:
                found[path] = hits
    assert found == {}
