"""The volunteer's own page on their visits, behind a personal link: what it says, in which language, to whom."""

import re
from datetime import UTC, datetime
from typing import Any

import pytest
from django.urls import reverse
from django.utils.translation import trans_real

from scheduling.models import Series
from scheduling.selectors.my_visits import my_visits, visit_languages
from scheduling.selectors.timelines import span
from scheduling.services.booking import series_book
from scheduling.services.change import series_cancel
from studylab import clock
from studylab.access import Actor
from studylab.participants.contact import box_seal
from studylab.participants.models import Participant
from studylab.participants.models.contact import Contact
from studylab.participants.services.links import link_make
from studylab.reports.selectors.readiness import lacking
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.loader import protocol_hash
from tests.participants.people import ANA
from tests.scheduling import lab as the_lab
from tests.scheduling.booking.addresses import WEEK
from tests.scheduling.calendar.ical_reader import read
from tests.selfreport.phone import Phone, text_of
from tests.selfreport.test_french import Texts
from tests.worlds import world

pytestmark = [pytest.mark.django_db]
BORN = {"year": ANA.birth_date.year, "month": ANA.birth_date.month, "day": ANA.birth_date.day}
PAGE, FILE = "/my/visits/", "/my/visits/appointments.ics"


@world
def ana(volunteer: Participant, study: Any) -> Participant:
    """The volunteer, with contact details, in a study that offers French."""
    study.languages = ["en", "fr-ca"]
    study.save(update_fields=["languages"])
    person = volunteer.person
    Contact.objects.create(person=person, box=box_seal(ANA, person.uid), changed_at=clock.now())
    volunteer.study = study
    return volunteer


@world
def booked(ana: Participant, booker: Actor) -> Series:
    return series_book(participant=ana, option=the_lab.find(ana, WEEK)[0], actor=booker)


def phone_of(ana: Participant, actor: Actor, language: str = "en") -> Phone:
    made = link_make(participant=ana, purpose="visits", days=14, actor=actor)
    phone = Phone(language)
    assert (
        "birth" in text_of(phone.open(made.token)) or language != "en"
    )  # nothing is shown to the first comer
    assert phone.open(made.token, **BORN).status_code == 302
    return phone


def test_says_when_where_and_what_to_do_before(
    booked: Series, ana: Participant, booker: Actor
) -> None:
    phone = phone_of(ana, booker)
    page = text_of(phone.get(PAGE))
    for visit in booked.visits.all():
        local = visit.planned.lower.astimezone(ana.study.zone)
        assert f"{local:%H:%M}" in page
    assert page.count("booked") == 3
    for words in ("Harbour House", "photo ID", "No coffee", "Halifax"):
        assert words in page
    assert not re.search(r"propranolol|placebo|capsule|beta", page)
    file = phone.get(FILE)
    assert file["Content-Type"].startswith("text/calendar")
    assert file["Cache-Control"] == "no-store"
    assert len(read(file.content).all("VEVENT")) == 3


def test_a_cancelled_series_says_do_not_come_and_takes_the_file_back(
    booked: Series, ana: Participant, booker: Actor
) -> None:
    phone = phone_of(ana, booker)
    series_cancel(series=booked, reason="Exam week", actor=booker)
    page = text_of(phone.get(PAGE))
    assert "Please do not come" in page
    assert "Exam week" not in page
    assert "Harbour House" not in page
    assert read(phone.get(FILE).content).one("METHOD")[1] == "CANCEL"


def test_before_anything_is_booked(ana: Participant, booker: Actor) -> None:
    made = link_make(participant=ana, purpose="visits", days=14, actor=booker)
    phone = Phone()
    phone.open(made.token)
    assert "No visits are booked yet" in text_of(phone.get(PAGE))
    assert phone.get(FILE).status_code == 404
    assert phone.get(reverse("self_report")).status_code == 403  # the link is for the visits alone


def test_french_is_whole(
    booked: Series, ana: Participant, booker: Actor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Case F-25: with every French text of the site put into brackets, nothing else is left outside them."""
    for catalog in trans_real.translation("fr-ca")._catalog._catalogs:
        for key, value in list(catalog.items()):
            if key and value:
                monkeypatch.setitem(catalog, key, f"⟦{value}⟧")
    parser = Texts()
    parser.feed(text_of(phone_of(ana, booker, "fr-ca").get(PAGE)))
    left = " ".join(parser.found)
    while (inner := re.sub(r"⟦[^⟦⟧]*⟧", "", left)) != left:
        left = inner
    assert "Maison du Port" in left
    assert not re.search(r"\b(the|visit|and|to|your|of)\b", left), left


def test_a_text_without_french_keeps_the_page_english_and_is_missing_on_the_front_page(
    booked: Series, ana: Participant, study: Any, lead: Any, actor_of: Any
) -> None:
    """Case F-25: "eat a light meal" has no French, French is offered: nothing is half in English, the lead is told."""
    assert visit_languages(ana) == ("en", "fr-ca")
    version = booked.protocol_version
    document = re.sub(r', text_fr = "Prenez un repas[^"]*"', "", version.document, count=1)
    assert document != version.document
    ProtocolVersion.objects.create(
        study=study, number=version.number + 1, document=document, sha256=protocol_hash(document),
        added_at=version.added_at,
    )  # fmt: skip
    # What was booked keeps its version and its words.
    assert visit_languages(ana) == ("en", "fr-ca")
    rows = lacking(ana.study, actor_of(lead), clock.now())
    found = [row for row in rows if "Français" in row.what]
    assert len(found) == 1
    assert "1 text is missing" in found[0].text


def test_the_week_after_the_clocks_went_forward_is_named(booked: Series, ana: Participant) -> None:
    """Case F-23: Sunday 14 March 2027, 10:00 in Halifax, eight hours after the change of that night."""
    assert [row.changed_at for row in my_visits(ana, "en").rows] == [None] * 3
    first = booked.visits.get(number=1).planned.lower
    later = datetime(2027, 3, 14, 13, tzinfo=UTC) - first
    for visit in booked.visits.all():
        visit.planned = span(visit.planned.lower + later, visit.planned.upper + later)
        visit.save(update_fields=["planned"])
    changed = datetime(2027, 3, 14, 6, tzinfo=UTC)
    assert [row.changed_at for row in my_visits(ana, "en").rows] == [changed] * 3
