"""Confirming and amending limits, whom a version concerns, and the runs of the rules, as pages."""

from datetime import timedelta

import pytest
from django.urls import reverse

from screening.models import Assessment, RulesRun
from screening.selectors import newest_assessment
from screening.services.reassess import reassess_all
from studylab import clock
from studylab.access import system_actor
from studylab.studies.models import ProtocolVersion
from studylab.studies.rules.amend import limit_numbers
from tests.cast import PASSWORD, confirm_limits
from tests.screening.record import people
from tests.screening.record.test_reassess import NARROW_PULSE

pytestmark = [pytest.mark.django_db, pytest.mark.database]


@pytest.fixture
def doctor(client_of, clinician):
    return client_of(clinician)


def at(name, study, *more, **kwargs):
    return reverse(name, args=[study.slug, *more])


def sent(version, **changed):
    numbers = {
        f"limit-{'-'.join(path)}": f"{value:g}"
        for path, value in limit_numbers(version.document).items()
    }
    return {
        **numbers, "note": "Slower pulse first to a physician", "approval_reference": "EC 7",
        "approval_on": "2026-03-02", **changed,
    }  # fmt: skip


def test_before_confirming_it_is_known_whom_it_would_let_through(doctor, study, waiting):
    people.other_version(study, NARROW_PULSE)
    page = doctor.get(at("limits_confirm", study, 2)).content.decode()
    assert "in an open survey" in page
    assert "The rule that takes out the most" in page
    assert "all passed by 29.2 %" in page
    assert "1 person has answers or values on record" in page
    shown = doctor.get(at("protocol_people", study, 2)).content.decode()
    assert waiting.code in shown
    assert "resting pulse: 65 beats per minute" in shown
    assert newest_assessment(waiting, "screening").protocol_version.number == 1  # nothing written


@pytest.mark.shows("A-15")
def test_changed_limits_are_confirmed_with_their_approval_only(doctor, study, confirmed):
    version = people.other_version(study, NARROW_PULSE)
    ProtocolVersion.objects.filter(pk=version.pk).update(approval_reference="", approval_on=None)
    page = at("limits_confirm", study, 2)
    first = {"read": "on", "password": PASSWORD}
    answer = doctor.post(page, first)
    assert answer.status_code == 422
    assert set(answer.context["form"].errors) == {"approval_reference", "approval_on"}
    later = (clock.now() + timedelta(days=40)).date().isoformat()
    answer = doctor.post(page, {**first, "approval_reference": "EC 7", "approval_on": later})
    assert "today or earlier" in answer.context["form"].errors["approval_on"][0]
    done = doctor.post(page, {**first, "approval_reference": "EC 7", "approval_on": "2026-03-02"})
    assert done.status_code == 302
    version.refresh_from_db()
    assert (version.approval_reference, str(version.approval_on)) == ("EC 7", "2026-03-02")
    assert version.confirmed_at is not None


def test_a_clinician_amends_limits_as_a_new_version(doctor, study, confirmed):
    page = at("limits_amend", study, 1)
    assert doctor.get(page).status_code == 200
    done = doctor.post(page, sent(confirmed, **{"limit-screening-pulse-pass_from": "62,5"}))
    assert done.url == at("limits_confirm", study, 2)
    made = ProtocolVersion.objects.get(number=2)
    assert made.confirmed_at is None
    assert "pass_from = 62.5" in made.document
    shown = doctor.get(done.url).content.decode()
    assert "<ins>passes 62.5 to 100" in shown
    # The older version leads to the newer one instead of branching off.
    assert "Version 2 is newer" in doctor.get(page).content.decode()
    assert doctor.post(page, sent(confirmed, **{"limit-floor-pulse": "51"})).status_code == 409


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, "No limit is different"),
        ({"limit-screening-pulse-pass_from": "slow"}, "Write one number (per minute)"),
        ({"limit-screening-pulse-pass_from": ""}, "Every limit needs a number"),
        ({"limit-screening-pulse-review_from": "40"}, "may tighten, not loosen"),
        ({"limit-screening-pulse-pass_from": "62", "note": ""}, "This field is required"),
    ],
)
def test_limits_that_cannot_be_are_named_and_nothing_is_lost(
    doctor, study, confirmed, changed, said
):
    answer = doctor.post(
        at("limits_amend", study, 1), sent(confirmed, **{"limit-floor-pulse": "50", **changed})
    )
    assert answer.status_code == 422
    page = answer.content.decode()
    assert said in page
    assert "EC 7" in page
    assert ProtocolVersion.objects.count() == 1


def test_a_run_is_shown_with_whose_outcome_it_changed(doctor, study, waiting, clinician, milo):
    people.sign(waiting, milo)
    people.other_version(study, NARROW_PULSE)
    with clock.travel(people.NOW + timedelta(hours=1)):
        confirm_limits(study, clinician)
        page = doctor.get(at("set_up_rules", study)).content.decode()
        assert "Assess everybody now" in page
        assert "they follow within minutes" in page
        done = doctor.post(at("set_up_rules_run", study), follow=True).content.decode()
    assert waiting.code in done
    assert "1 eligible sign-off void" in done
    assert "resting pulse" in done
    made = newest_assessment(waiting, "screening")
    assert "limit-changed-after" in {f["rule_id"] for f in made.findings}
    shown = doctor.get(at("assessment", study, waiting.code)).content.decode()
    assert "What changed since the last assessment" in shown
    assert "<td>version 1</td><td>version 2</td>" in shown
    assert RulesRun.objects.get().changed == 1


def test_a_limit_loosened_afterwards_goes_to_a_physician_with_its_mark(
    study, confirmed, clinician, cora, milo, at_ten
):
    """Field case F-11, through the record: 55 needs a physician, then 55 passes by a new version."""
    slow = people.add_volunteer(study, cora)
    people.consent(slow, cora)
    people.answer(slow, cora)
    people.measure(slow, milo, readings=people.readings(people.same(115, 75, 55)))
    with clock.travel(people.NOW + timedelta(days=1)):
        people.other_version(
            study,
            ("pulse = { pass_from = 60, pass_below = 100", "pulse = { pass_from = 52, pass_below = 100"),
        )  # fmt: skip
        confirm_limits(study, clinician)
        reassess_all(study=study, actor=system_actor("test"))
        made = newest_assessment(slow, Assessment.Gate.SCREENING)
        assert made.outcome == "physician"
        assert [f["rule_id"] for f in made.findings] == ["limit-changed-after"]
    with clock.travel(people.NOW + timedelta(days=1, hours=1)):
        people.measure(slow, milo, readings=people.readings(people.same(115, 75, 55)))
    assert newest_assessment(slow, Assessment.Gate.SCREENING).outcome == "clear"


def test_the_assessment_page_says_what_decided_and_what_is_missing(
    doctor, study, confirmed, cora, at_ten
):
    person = people.add_volunteer(study, cora)
    answers = people.quiet_answers(person)
    answers["C-01"]["value"] = "yes"
    people.answer(person, cora, answers=answers)
    page = doctor.get(at("assessment", study, person.code)).content.decode()
    assert "Decided by:" in page
    assert page.index("What decided it") < page.index("What is missing")
    assert "From the clinician or experimenter" in page
    assert "Source:" in page
