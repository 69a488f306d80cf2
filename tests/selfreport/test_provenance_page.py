"""What the staff sees of a questionnaire: how far it is, what the volunteer wrote, what staff changed."""

import re
from typing import Any

import pytest
from django.urls import reverse

from screening.rules.self_report import Screen
from screening.selectors.answers import newest_answers
from screening.services.answers import answers_record
from studylab import clock
from studylab.access import Actor
from studylab.participants.models import Participant
from tests.selfreport.phone import Phone, quiet, text_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def test_staff_see_what_came_from_the_volunteer_and_what_staff_changed(
    agreed: Phone, ana: Participant, all_screens: tuple[Screen, ...], study: Any, keeper: Actor,
    coordinator: Any, client_of: Any,
) -> None:  # fmt: skip
    office, page = client_of(coordinator), reverse("answers", args=[study.slug, ana.code])
    agreed.answer(1, quiet(all_screens[0], C_02="yes"))
    begun = text_of(office.get(page))
    assert "the volunteer is writing" in begun
    assert "1 of 13 parts gone through" in begun
    assert "COPD" not in begun  # nothing of what is written before it is sent
    for screen in all_screens:
        agreed.answer(screen.number, quiet(screen))
    agreed.send(reverse("self_report_review"))
    own = newest_answers(ana, "screening")
    assert own is not None
    answers_record(
        participant=ana, when="screening", supersedes=own, reason="Said so on the phone.",
        answers={**own.answers, "C-45": {"value": "yes", "detail": ""}}, medicines=[],
        no_medicines=True, height_cm=172.0, weight_kg=71.5, source="staff", given_at=clock.now(),
        actor=keeper,
    )  # fmt: skip
    shown = re.sub(r"<[^>]+>|\s+", " ", text_of(office.get(page)))
    shown = re.sub(r" +", " ", shown)
    assert "Unless marked, an answer below was written by the volunteer alone" in shown
    sport = shown[shown.rindex("Do you train for endurance sport") :][:300]
    assert "changed by staff" in sport
    assert "Cora Lindqvist: Said so on the phone." in sport
    assert "“No”, written by the volunteer alone" in sport
    copd = shown[shown.rindex("Has a doctor told you that you have COPD") :][:300]
    assert "answer changed before sending" in copd
    assert "It was “Yes” first." in copd
    assert shown.count("changed by staff") == 1
    # The page at which staff change the answers does not take the volunteer for the source of the change.
    form = text_of(office.get(reverse("questions", args=[study.slug, ana.code])))
    assert re.search(r'name="source" value="staff"[^>]*checked', form)
