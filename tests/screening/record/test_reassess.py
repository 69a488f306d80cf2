"""The rules over everybody: who is assessed anew, what falls with it, and that nothing is done twice."""

from io import StringIO

import pytest
from django.core.management import call_command
from django.db import IntegrityError

from screening.models import Assessment, RulesRun
from screening.selectors import newest_assessment, sign_off_state
from screening.selectors.impact import impact_of
from screening.selectors.runs import outcome_changes, studies_outdated
from screening.services.reassess import _next_chunk, reassess_all, run_begin
from screening.tasks import reassess_outdated
from studylab import clock
from studylab.access import system_actor
from studylab.errors import NotAllowed
from tests.cast import confirm_limits
from tests.screening.record import people

HOUSE = system_actor("test")
NARROW_PULSE = (
    "pulse = { pass_from = 60, pass_below = 100, review_from = 50",
    "pulse = { pass_from = 66, pass_below = 100, review_from = 60",
)


@pytest.fixture
def five(at_ten, study, confirmed, cora, milo):
    """Two volunteers with a pulse of 65, one with 80, one not measured yet, one without anything."""
    found = [people.ready(study, cora, milo) for _ in range(2)]
    for measured in (people.same(115, 75, 80), None):
        person = people.add_volunteer(study, cora)
        people.consent(person, cora)
        people.answer(person, cora)
        if measured:
            people.measure(person, milo, readings=people.readings(measured))
        found.append(person)
    found.append(people.add_volunteer(study, cora))
    return found


def _outcomes(persons):
    return [getattr(newest_assessment(p, "screening"), "outcome", None) for p in persons]


def test_a_new_version_changes_outcomes_voids_sign_offs_and_lists_whom(
    five, study, clinician, milo
):
    people.sign(five[0], milo)
    people.sign(five[2], milo)
    assert _outcomes(five) == ["clear", "clear", "clear", "cannot_decide", None]
    version = people.other_version(study, NARROW_PULSE)
    preview = impact_of(study, version, clock.now())
    assert [(one.participant, one.before, one.after, one.signed) for one in preview.affected] == [
        (five[0], "clear", "cannot_decide", True),  # in the review band the study asks for an ECG
        (five[1], "clear", "cannot_decide", False),
    ]
    comes = preview.affected[0].comes
    assert comes[0] == "resting pulse: 65 beats per minute"
    assert comes[-1].startswith("ECG")
    assert (preview.people, preview.signed, preview.more) == (4, 2, 0)
    assert studies_outdated() == []

    confirm_limits(study, clinician)
    assert studies_outdated() == [study]
    seen = []
    run = reassess_all(
        study=study, actor=HOUSE, chunk=2, progress=lambda r: seen.append((r.done, r.made))
    )
    assert seen == [(2, 2), (4, 4), (5, 4), (5, 4)]
    assert (run.people, run.done, run.made, run.changed, run.void) == (5, 5, 4, 2, 2)
    assert _outcomes(five) == ["cannot_decide", "cannot_decide", "clear", "cannot_decide", None]
    assert [a.participant for a in outcome_changes(run)] == five[:2]
    assert {a.before_outcome for a in outcome_changes(run)} == {"clear"}
    assert sign_off_state(five[2], clock.now()).kind == "void"
    assert studies_outdated() == []


def test_running_again_writes_nothing(five, study):
    before = Assessment.objects.count()
    run = reassess_all(study=study, actor=HOUSE)
    assert (run.done, run.made, Assessment.objects.count()) == (5, 0, before)


def test_a_run_that_was_broken_off_goes_on_where_it_stopped(five, study, clinician):
    people.other_version(study, NARROW_PULSE)
    confirm_limits(study, clinician)
    _next_chunk(run=run_begin(study=study, actor=HOUSE), chunk=3, actor=HOUSE)
    broken = RulesRun.objects.get()
    assert (broken.done, broken.finished_at) == (3, None)
    assert studies_outdated() == [study]
    reassess_outdated.run()
    whole = RulesRun.objects.get()
    assert (whole.pk, whole.done, whole.made) == (broken.pk, 5, 4)
    assert whole.finished_at is not None


def test_a_run_for_rules_that_changed_meanwhile_is_ended(five, study, clinician):
    run_begin(study=study, actor=HOUSE)
    people.other_version(study, NARROW_PULSE)
    confirm_limits(study, clinician)
    run = reassess_all(study=study, actor=HOUSE)
    assert run.protocol_version.number == 2
    assert RulesRun.objects.filter(finished_at=None).count() == 0


def test_the_command_tells_how_far_it_is(five, study):
    out = StringIO()
    call_command("reassess_all", "--chunk", "3", stdout=out)
    lines = out.getvalue().splitlines()
    assert lines[0].startswith("slide-story: 3 of 5, ")
    assert lines[-1] == (
        "slide-story: 0 assessed anew, 0 with another outcome than before, 0 sign-offs void."
    )


def test_only_a_clinician_or_the_house_runs_the_rules_over_everybody(five, study, cora):
    with pytest.raises(NotAllowed):
        reassess_all(study=study, actor=cora)


@pytest.mark.parametrize(
    ("outcome", "findings", "missing", "name"),
    [
        ("clear", [{"disposition": "exclude"}], [], "assessment_exclusion_excludes"),
        ("physician", [{"disposition": "exclude"}], [], "assessment_exclusion_excludes"),
        ("clear", [], [{"what": "Pulse"}], "assessment_missing_is_no_pass"),
        ("physician", [{"disposition": "hold"}], [], "assessment_hold_holds"),
        ("clear", [{"disposition": "physician"}], [], "assessment_item_is_not_clear"),
    ],
)
def test_sql_cannot_store_an_outcome_milder_than_its_findings(
    waiting, outcome, findings, missing, name
):
    made = newest_assessment(waiting, "screening")
    made.pk, made.outcome, made.findings, made.missing = None, outcome, findings, missing
    with pytest.raises(IntegrityError, match=name):
        made.save(force_insert=True)
