"""What people of a study were trained in: recorded, shown with who has none, taken back with the reason, never changed."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Training
from studylab.people.selectors import today_in
from studylab.people.selectors.training import training_of
from studylab.people.services.training import training_record, training_take_back

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def given(study: Any) -> dict[str, Any]:
    return {
        "study": study, "topic": " Protocol  version 2 ", "given_by": "Lev Okonjo", "held_on": today_in(study.timezone),
    }  # fmt: skip


@pytest.mark.shows("A-18")
def test_a_training_of_several_people_is_on_record_and_who_has_none_is_named(
    given: dict[str, Any], study: Any, lead: Any, experimenter: Any, clinician: Any, outsider: Any, actor_of: Any, client_of: Any
) -> None:  # fmt: skip
    me, page = actor_of(lead), reverse("people_training", args=[study.slug])
    training_record(people=[experimenter, clinician], actor=me, **given)
    shown = {
        one.user: [row.topic for row in one.trainings]
        for one in training_of(study, given["held_on"])
    }
    assert (shown[experimenter], shown[lead]) == (["Protocol version 2"], [])
    assert Event.objects.filter(action="person.training_recorded").count() == 2
    text = client_of(lead).get(page).content.decode()
    assert "Protocol version 2" in text
    assert "none on record" in text
    sent = {"people": [str(lead.pk)], "topic": "Good clinical practice", "given_by": "Course of the university", "held_on": given["held_on"].isoformat()}  # fmt: skip
    browser = client_of(lead)
    assert browser.post(page, sent).status_code == 302
    assert Training.objects.get(user=lead).topic == "Good clinical practice"
    tomorrow = (given["held_on"] + timedelta(days=1)).isoformat()
    for wrong in ({"people": []}, {"topic": " "}, {"held_on": tomorrow}, {"held_on": "soon"}, {"people": [str(outsider.pk)]}):  # fmt: skip
        assert browser.post(page, {**sent, **wrong}).status_code == 422
    assert client_of(experimenter).get(page).status_code == 403
    with pytest.raises(NotAllowed):
        training_record(people=[lead], actor=actor_of(experimenter), **given)
    with pytest.raises(Refused, match="a role in this study"):
        training_record(people=[outsider], actor=me, **given)


def test_an_entry_is_taken_back_with_its_reason_and_stays(
    given: dict[str, Any], study: Any, lead: Any, experimenter: Any, actor_of: Any, client_of: Any
) -> None:
    me = actor_of(lead)
    (one,) = training_record(people=[experimenter], actor=me, **given)
    page = reverse("people_training_back", args=[study.slug, one.uid])
    assert client_of(lead).post(page, {"reason": " "}).status_code == 422
    assert client_of(lead).post(page, {"reason": "Somebody else."}).status_code == 302
    assert all(not row.trainings for row in training_of(study, given["held_on"]))
    assert Training.objects.count() == 2
    with pytest.raises(Conflict):
        training_take_back(training=one, reason="Again.", actor=me)
    with pytest.raises(IntegrityError, match="training_withdrawn_with_reason"), transaction.atomic():  # fmt: skip
        Training.objects.create(
            study=study, user=experimenter, topic="x", given_by="y", held_on=given["held_on"],
            recorded_on=given["held_on"], recorded_at=one.recorded_at, recorded_by=lead, withdrawn=True,
        )  # fmt: skip
    with pytest.raises(Exception, match="append"), transaction.atomic():
        Training.objects.filter(pk=one.pk).update(topic="Another")
