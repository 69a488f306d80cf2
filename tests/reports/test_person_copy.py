"""The copy that a person gets of what is stored about them: whole, in words, without an arm, logged with its hash."""

import hashlib
import json
from collections.abc import Iterator
from typing import Any

import pytest
from django.urls import reverse

from studylab import clock
from studylab.access import Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.participants.selectors import contact_details
from studylab.people.selectors import actor_for
from studylab.reports.services.person_copy import copy_hand_over, copy_make
from studylab.studies.selectors import current_protocol
from tests.access.world import World
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db]


@pytest.fixture
def who(world: World) -> Iterator[Any]:
    """Somebody who was dosed, at the moment of the world."""
    with clock.travel(world.now):
        yield next(one for one in world.participants if one.doses.exists())


def test_page_and_file_hold_the_person_and_never_an_arm(world: World, who: Any) -> None:
    """GDPR Art. 15 and 20 as the outside example: a copy, and one that machines read."""
    client = client_for(world.people[Role.COORDINATOR])
    address = reverse("volunteer_copy", args=[world.study.slug, who.code])
    assert client.post(address, {"asked": " ", "form": "page"}).status_code == 422
    page = client.post(address, {"asked": "By letter.", "form": "page"}).content.decode()
    answer = client.post(address, {"asked": "By letter.", "form": "file"})
    content = json.loads(answer.content)
    details = contact_details(who.person)
    assert details is not None
    arms = [arm.name for arm in current_protocol(world.study).plan.allocation.arms]
    for text in (page, answer.content.decode()):
        assert details.family_name in text
        assert details.phone in text
    rules = {"Proposal of the rules"}
    said = [text for one in content["record"] if one["what"] not in rules for _, text in one["values"]]  # fmt: skip
    assert [text for text in said for arm in arms if arm in text] == []
    titles = {one["what"] for one in content["record"]}
    assert {"Consent", "Answers", "Readings", "Visit", "Dose of the study capsule"} <= titles
    assert "looked at contact details" in {one["did"] for one in content["who"]}
    assert {one["role"] for one in content["who"]} >= {"Coordinator"}
    newest = Event.objects.filter(action=Action.COPY_MADE).latest("id")
    assert newest.data["sha256"] == hashlib.sha256(answer.content).hexdigest()


def test_handing_over_is_recorded_beside_the_copy(world: World, who: Any) -> None:
    client = client_for(world.people[Role.COORDINATOR])
    actor = actor_for(world.people[Role.COORDINATOR], world.study)
    copy_make(participant=who, asked="By phone.", actor=actor)
    uid = Event.objects.filter(action=Action.COPY_MADE).latest("id").subject_code
    address = reverse("volunteer_copy", args=[world.study.slug, who.code])
    assert "not handed over" in client.get(address).content.decode()
    sent = {
        "to": "self",
        "identified": "paper",
        "at": f"{clock.now().astimezone(world.study.zone):%Y-%m-%dT%H:%M}",
    }
    page = reverse("volunteer_copy_handed", args=[world.study.slug, who.code, uid])
    assert client.post(page, {**sent, "to": "anybody"}).status_code == 422
    assert client.post(page, sent).status_code == 302
    shown = client.get(address).content.decode()
    assert "official paper with a photograph looked at" in shown
    assert "not handed over" not in shown
    with pytest.raises(Refused, match="No such copy"):
        copy_hand_over(participant=who, copy="none", to="self", identified="paper", at=clock.now(), actor=actor)  # fmt: skip


@pytest.mark.parametrize("role", [Role.CLINICIAN, Role.LEAD, Role.MONITOR, Role.EXPERIMENTER, Role.PHARMACIST])  # fmt: skip
def test_only_the_coordinator_makes_one(world: World, who: Any, role: Role) -> None:
    with pytest.raises(NotAllowed):
        copy_make(participant=who, asked="x", actor=actor_for(world.people[role], world.study))
