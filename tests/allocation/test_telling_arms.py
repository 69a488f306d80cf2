"""Telling volunteers their arm after the opening: only who wants to, only from the opened list, one by one."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse

from studylab import clock
from studylab.allocation import gates, services
from studylab.allocation.models import ArmTelling, ArmWish, ListEntry
from studylab.allocation.selectors.arm_wishes import wish_rows
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.studies.models import Study
from studylab.studies.selectors import plan_of
from tests import cast
from tests.allocation.raw_sql import refused_by_database
from tests.allocation.test_unblinding import agree, ask, lock

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def say(person: Any, user: Any, wants: str = "yes") -> ArmWish:
    actor = cast.actor_of(user, person.study)
    return services.arm_wish_record(
        participant=person, wants=wants, how="phone", said_at=clock.now(), actor=actor
    )


def tell(person: Any, user: Any, **more: Any) -> ArmTelling:
    actor = cast.actor_of(user, person.study)
    values = {"by": user, "how": "person", "at": clock.now(), **more}
    return services.telling_record(participant=person, actor=actor, **values)


@pytest.fixture
def opened(numbered: Any, lead: Any, clinician: Any) -> Study:
    study: Study = numbered.study
    Study.objects.filter(pk=study.pk).update(state="closed")
    study.refresh_from_db()
    lock(study, lead)
    ask(study, lead)
    agree(study, clinician)
    return study


def arm_names(study: Study) -> tuple[str, set[str]]:
    """The name of the one person's arm, and the names of the others."""
    entry = ListEntry.objects.get(participant__isnull=False)
    key = gates.entry_to_verify(entry)
    arms = plan_of(entry.list.protocol_version).allocation.arms
    return next(a.name for a in arms if a.key == key), {a.name for a in arms if a.key != key}


@pytest.mark.shows("B-09")
def test_who_wants_to_know_is_told_after_the_opening_and_nobody_else(
    numbered: Any, opened: Study, coordinator: Any, client_of: Any
) -> None:
    client, page = client_of(coordinator), [opened.slug, numbered.code]
    mine, others = arm_names(opened)
    refused = client.post(reverse("arm_letter", args=page))
    assert refused.status_code == 422
    assert "did not say that they want to know" in refused.content.decode()
    for wants in ("open", "no"):
        say(numbered, coordinator, wants)
        answer = client.post(reverse("arm_letter", args=page))
        assert answer.status_code == 422
        assert not any(name in answer.content.decode() for name in {mine, *others})
        with pytest.raises(Refused, match="Ask first"):
            tell(numbered, coordinator)
    said = {"wants": "yes", "how": "person", "said_at": f"{clock.now().astimezone(opened.zone):%Y-%m-%dT%H:%M}"}  # fmt: skip
    wish = reverse("arm_wish", args=page)
    assert client.post(wish, {**said, "shown": "0"}).status_code == 409
    newest = ArmWish.objects.get(superseded_by=None)
    assert client.post(wish, {**said, "shown": str(newest.pk)}).status_code == 302
    home = client.get(reverse("home", args=[opened.slug])).content.decode()
    assert "tell who wants to know" in home
    letter = client.post(reverse("arm_letter", args=page)).content.decode()
    assert mine in letter
    assert not any(name in letter for name in others)
    assert numbered.code in letter
    assert "You took no capsule" in letter
    (made,) = Event.objects.filter(action="arm.letter_made")
    assert (made.participant_code, mine in str(made.data)) == (numbered.code, False)
    told = {"by": coordinator.pk, "how": "letter", "at": said["said_at"]}
    early = client.post(reverse("arm_told", args=page), {**told, "at": "2020-01-01T10:00"})
    assert "before the list was opened" in early.content.decode()
    assert tell(numbered, coordinator).told
    listed = client.get(reverse("arm_wishes", args=[opened.slug])).content.decode()
    assert f"by {coordinator.name}, in person" in listed
    assert not any(name in listed for name in {mine, *others})
    assert "tell who wants" not in client.get(reverse("home", args=[opened.slug])).content.decode()


def test_before_the_opening_the_answer_is_kept_and_nothing_is_told(
    numbered: Any, coordinator: Any, experimenter: Any, client_of: Any
) -> None:
    study = numbered.study
    say(numbered, coordinator)
    with pytest.raises(NotAllowed):
        say(numbered, experimenter)
    answer = client_of(coordinator).post(reverse("arm_letter", args=[study.slug, numbered.code]))
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "The list is not open" in text
    mine, others = arm_names(study)
    assert not any(name in text for name in {mine, *others})
    with pytest.raises(Refused, match="not open"):
        tell(numbered, coordinator)
    (row,) = wish_rows(study)
    assert row.to_tell
    listed = client_of(experimenter).get(reverse("arm_wishes", args=[study.slug]))
    assert "wants to know" in listed.content.decode()
    assert reverse("arm_letter", args=[study.slug, numbered.code]) not in listed.content.decode()
    volunteer = client_of(experimenter).get(reverse("volunteer", args=[study.slug, numbered.code]))
    assert "Wants to know afterwards" in volunteer.content.decode()


def test_the_database_keeps_tellings_behind_the_opening_and_the_wish(
    numbered: Any, opened: Study, coordinator: Any
) -> None:
    row = {
        "participant": numbered, "told": True, "how": "phone", "at": clock.now(), "by": coordinator,
        "recorded_at": clock.now(), "recorded_by": coordinator,
    }  # fmt: skip
    with pytest.raises(IntegrityError, match="said that they want to know"), transaction.atomic():
        ArmTelling.objects.create(**row)
    say(numbered, coordinator)
    before = clock.now() - timedelta(days=1)
    with pytest.raises(IntegrityError, match="before the list is open"), transaction.atomic():
        ArmTelling.objects.create(**{**row, "at": before})
    tell(numbered, coordinator)
    refused_by_database("UPDATE allocation_armtelling SET told = false")
    refused_by_database("DELETE FROM allocation_armwish")


def test_an_entry_made_by_mistake_is_taken_back_and_stays(
    numbered: Any, opened: Study, coordinator: Any, client_of: Any
) -> None:
    say(numbered, coordinator)
    first = tell(numbered, coordinator)
    with pytest.raises(Conflict, match="already"):
        tell(numbered, coordinator)
    with pytest.raises(Refused, match="told already"):
        say(numbered, coordinator, "no")
    client, page = client_of(coordinator), [opened.slug, numbered.code]
    back = {"reason": "It was another volunteer.", "shown": str(first.pk)}
    assert (
        client.post(reverse("arm_told_back", args=page), {**back, "reason": " "}).status_code == 422
    )
    assert client.post(reverse("arm_told_back", args=page), back).status_code == 302
    (row,) = wish_rows(opened)
    assert row.to_tell
    with pytest.raises(Refused, match="further entry"):
        tell(numbered, coordinator)
    tell(numbered, coordinator, reason="Told today.")
    assert [one.told for one in ArmTelling.objects.order_by("id")] == [True, False, True]


def test_a_result_that_contradicts_the_list_keeps_the_letter_back(
    numbered: Any, opened: Study, coordinator: Any, clinician: Any
) -> None:
    say(numbered, coordinator)
    held = gates.entry_to_verify(ListEntry.objects.get(participant=numbered))
    services.assay_record(
        participant=numbered, sample="saliva", taken_at=clock.now(), reference="Lab 4",
        found="absent" if held == "active" else "present", actor=cast.actor_of(clinician, opened),
    )  # fmt: skip
    with pytest.raises(Refused, match="laboratory result"):
        services.arm_letter_made(participant=numbered, actor=cast.actor_of(coordinator, opened))
