"""A half-typed set of readings: nothing is lost by a reload, a dead tablet or a change of hands."""

from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from screening.models import VitalDraft, VitalSet
from studylab import clock
from studylab.audit.models import Event
from tests.screening.record import people
from tests.screening.record.test_vital_pages import sent

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def at(name: str, participant: Any, *more: Any) -> str:
    return reverse(name, args=[participant.study.slug, participant.code, *more])


def half(**changed: Any) -> dict[str, Any]:
    """Return a form with one reading typed and a value that can be none."""
    whole = sent()
    kept = {
        k: v for k, v in whole.items() if not k.startswith(("reading_2", "reading_3", "reading_4"))
    }
    return kept | {
        "reading_1.systolic": "12/8",
        "reading_1.stamp": whole["reading_1.at"],
        **changed,
    }


@pytest.fixture
def page(volunteer: Any) -> str:
    return at("vitals_add", volunteer, "screening")


@pytest.fixture
def keep(volunteer: Any) -> str:
    return at("vitals_draft", volunteer, "screening")


def test_a_correction_is_kept_too_and_goes_when_it_is_recorded(
    client_of: Any, experimenter: Any, volunteer: Any, edda: Any, page: str
) -> None:
    wrong = people.measure(volunteer, edda)
    correct = at("vitals_correct", volunteer, wrong.uid)
    client, typing = client_of(experimenter), half(base=str(wrong.uid), reason="The other arm.")
    kept = client.post(at("vitals_correct_draft", volunteer, wrong.uid), typing)
    assert kept.status_code == 200, kept.content.decode()
    assert VitalDraft.objects.get().corrects == wrong
    assert client.get(correct).context["form"]["reason"].value() == "The other arm."
    assert "The other arm." not in client.get(page).content.decode()
    whole = sent(base=str(wrong.uid), reason="The other arm.", rest_began="09:50:00")
    assert client.post(correct, whole).status_code == 302
    assert not VitalDraft.objects.exists()


def test_what_is_typed_is_there_after_a_reload_and_on_another_tablet(
    client_of: Any, experimenter: Any, page: str, keep: str
) -> None:
    typed = half()
    answer = client_of(experimenter).post(keep, typed).json()
    assert answer["said"].startswith("Kept on the server at ")
    with clock.travel(people.NOW + timedelta(minutes=20)):
        again = client_of(experimenter).get(page)
    form, text = again.context["form"], again.content.decode()
    assert form["reading_1.systolic"].value() == "12/8"
    assert form["reading_1.at"].value() == typed["reading_1.at"], (
        "its own time, not that of the reload"
    )
    assert form["reading_1.stamp"].value() == typed["reading_1.stamp"]
    assert form["arm"].value() == "left"
    assert not form.errors
    assert "half-typed set" in text
    assert answer["draft"] in text


def test_it_goes_once_the_set_is_recorded_and_does_not_come_back(
    client_of: Any, experimenter: Any, page: str, keep: str
) -> None:
    browser = client_of(experimenter)
    browser.post(keep, half())
    whole = sent()
    whole["rest_began"] = "09:30:00"
    assert browser.post(page, whole).status_code == 302
    assert VitalSet.objects.count() == 1
    assert not VitalDraft.objects.exists()
    late = browser.post(keep, half())
    assert late.status_code == 409
    assert "recorded here after you opened the page" in late.json()["said"]
    assert not VitalDraft.objects.exists()


def test_without_javascript_a_refused_form_is_kept(
    client_of: Any, experimenter: Any, page: str
) -> None:
    browser = client_of(experimenter)
    answer = browser.post(page, half())
    assert answer.status_code == 422
    assert "kept on the server until the set is recorded" in answer.content.decode()
    assert browser.get(page).context["form"]["reading_1.systolic"].value() == "12/8"


def test_a_second_person_takes_over_knowingly(
    client_of: Any, experimenter: Any, clinician: Any, page: str, keep: str
) -> None:
    first, second = client_of(experimenter), client_of(clinician)
    draft = first.post(keep, half()).json()["draft"]
    seen = second.get(page)
    assert seen.context["form"]["reading_1.systolic"].value() is None, "not filled in unasked"
    assert f"Take over what {experimenter.name} typed" in seen.content.decode()
    assert second.post(keep, {"draft_do": "drop", "draft": draft}, follow=True).status_code == 200
    assert VitalDraft.objects.get().holder == experimenter, "nobody empties what another typed"
    second.post(keep, {"draft_do": "take_over", "draft": draft})
    mine = second.get(page)
    assert mine.context["form"]["reading_1.systolic"].value() == "12/8"
    assert f"{experimenter.name} began it" in mine.content.decode()
    told = first.post(keep, half(draft=draft))
    assert told.status_code == 409
    assert f"{clinician.name} took over" in told.json()["said"]
    assert VitalDraft.objects.get().holder == clinician
    actions = Event.objects.filter(subject_type="vital_draft").order_by("id")
    assert list(actions.values_list("action", flat=True)) == [
        "vitals.draft_begun", "vitals.draft_taken_over",
    ]  # fmt: skip


def test_ones_own_stands_in_the_way_until_it_is_emptied(
    client_of: Any, experimenter: Any, clinician: Any, page: str, keep: str
) -> None:
    theirs = client_of(experimenter).post(keep, half()).json()["draft"]
    doctor = client_of(clinician)
    own = doctor.post(keep, half()).json()["draft"]
    refused = doctor.post(keep, {"draft_do": "take_over", "draft": theirs}, follow=True)
    assert "Record or empty yours first" in refused.content.decode()
    doctor.post(keep, {"draft_do": "drop", "draft": own})
    doctor.post(keep, {"draft_do": "take_over", "draft": theirs})
    assert VitalDraft.objects.get().holder == clinician


def test_nothing_is_kept_on_somebody_without_consent(
    at_ten: None, study: Any, cora: Any, client_of: Any, experimenter: Any
) -> None:
    stranger = people.add_volunteer(study, cora)
    answer = client_of(experimenter).post(at("vitals_draft", stranger, "screening"), half())
    assert answer.status_code in (409, 422)
    assert "no consent" in answer.json()["said"]
    assert not VitalDraft.objects.exists()


@pytest.mark.parametrize("bad", [{"draft": "x", "draft_do": "drop"}, {"draft_do": "nonsense"}])
def test_nonsense_is_not_found(
    client_of: Any, experimenter: Any, keep: str, bad: dict[str, str]
) -> None:
    assert client_of(experimenter).post(keep, bad).status_code == 404


def test_a_form_of_any_size_is_cut_and_never_breaks(
    client_of: Any, experimenter: Any, keep: str
) -> None:
    huge = half(cuff="M" * 4000, **{f"more{n}": "x" for n in range(300)})
    assert client_of(experimenter).post(keep, huge).status_code == 200
    content = VitalDraft.objects.get().content
    assert len(content) <= 80
    assert max(len(text) for texts in content.values() for text in texts) <= 600
