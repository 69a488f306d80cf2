"""A study in the middle of its life: each role finds its own work, everybody is in exactly one place."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import Visit
from scheduling.rules.path import STAGES
from screening.selectors.queue import sign_off_queue
from studylab.access import Role
from studylab.allocation.models import ListEntry
from studylab.participants.models import Participant
from studylab.participants.services import participant_withdraw
from studylab.reports.selectors.path import STAGE_NAMES, counts_by_stage, people_on_path
from studylab.studies.selectors import current_protocol
from tests import cast
from tests.access.world import World
from tests.reports.conftest import client_for

pytestmark = [pytest.mark.django_db, pytest.mark.database]

# What the roles do is the table of design.md section 2; the titles are the path's own words.
REPORTS, PAUSED = "Safety reports: send, or enter the receipt", "Dosing is paused"
REVIEWS = "Reviews of the record"
SITE = "The site itself"  # nothing of it has ticked in a test
TITLES: dict[Role, set[str]] = {
    Role.COORDINATOR: {
        "Have the questionnaire filled in", "Take informed consent to the study",
        "Asked for by the physician", "Supply what the assessment lacks", REPORTS,
    },
    Role.CLINICIAN: {
        "On hold: release or stop", "Visits today", "Decide and sign", REPORTS, PAUSED, "Adverse events to read",
        "Adverse events: judge the cause", "Decide what volunteers with a dose to come are told",
    },
    Role.PHARMACIST: {"Kits for the coming three days"},
    Role.EXPERIMENTER: {"Visits today", "Take the screening vitals"},
    Role.LEAD: {PAUSED, REPORTS, REVIEWS, SITE},
    Role.MONITOR: set(),
}  # fmt: skip


def front(world: World, role: Role) -> str:
    answer = client_for(world.people[role]).get(reverse("home", args=[world.study.slug]))
    assert answer.status_code == 200
    page: str = answer.content.decode()
    return page[page.index("<main") : page.index("</main>")]


def titles(page: str) -> set[str]:
    """Return the titles of the groups of work on a front page."""
    found = re.findall(
        r'<h2 id="group-\d+">.*?<span>(.*?)</span> <span class="work-count"', page, re.S
    )
    return {title.strip() for title in found}


@pytest.mark.parametrize("role", list(Role))
def test_each_role_finds_its_own_work(world: World, role: Role) -> None:
    assert titles(front(world, role)) == TITLES[role]


@pytest.mark.parametrize("role", list(Role))
def test_every_link_of_a_front_page_opens(world: World, role: Role) -> None:
    page = front(world, role)
    client = client_for(world.people[role])
    links = set(re.findall(r'href="(/s/[^"#]*)', page))
    answers = {link: client.get(link.replace("&amp;", "&")).status_code for link in links}
    assert {link: status for link, status in answers.items() if status != 200} == {}


def test_no_front_page_names_an_arm(world: World) -> None:
    arms = [arm.name for arm in current_protocol(world.study).plan.allocation.arms]
    for role in Role:
        page = front(world, role)
        assert not [arm for arm in arms if arm in page]


def test_the_pharmacist_is_told_which_kits_to_prepare_and_which_to_hand_out(world: World) -> None:
    """Whose dosing visit is still open today or soon and whose kit is not out: once each, by its state."""
    due = ListEntry.objects.filter(
        participant__visits__number=2, participant__visits__state__in=["booked", "running"]
    )
    wanted = {
        f"Number {entry.number}, {entry.participant.code}": (
            "Kit prepared: hand it out." if entry.kits.exists() else "Prepare a kit."
        )
        for entry in due
        if not entry.kits.filter(state__in=["dispensed", "given"]).exists()
    }
    lines = re.findall(
        r'class="work-what" href="[^"]*">([^<]*)</a>\s*<span class="work-text">([^<]*)<',
        front(world, Role.PHARMACIST),
    )
    assert wanted
    assert sorted(lines) == sorted(wanted.items())


def test_the_lead_hears_of_a_dosing_visit_without_a_dose(world: World) -> None:
    visit = Visit.objects.filter(number=2, state="booked").select_related("participant").first()
    assert visit is not None
    Visit.objects.filter(pk=visit.pk).update(state="missed")
    assert "Book visit 2 again or close" in titles(front(world, Role.COORDINATOR))
    Visit.objects.filter(pk=visit.pk).update(
        state="stopped", started_at=world.now, anchor_at=world.now - timedelta(hours=24),
        rule_earliest=visit.gap_earliest, rule_latest=visit.gap_latest,
    )  # fmt: skip
    assert titles(front(world, Role.LEAD)) == {
        "Decide how to go on after visit 2",
        PAUSED,
        REPORTS,
        REVIEWS,
        SITE,
    }


def codes(world: World, stage: str = "") -> list[str]:
    """Return the codes that the page of a stage lists, in order."""
    client = client_for(world.people[Role.COORDINATOR])
    answer = client.get(reverse("people_on_path", args=[world.study.slug]), {"stage": stage})
    assert answer.status_code == 200
    return re.findall(r'<th scope="row"><a href="[^"]*">([^<]+)<', answer.content.decode())


def test_everybody_is_in_exactly_one_place(world: World) -> None:
    active = set(world.study.participants.filter(status="active").values_list("code", flat=True))
    stages = [stage for stage, _name, _n in counts_by_stage(people_on_path(world.study, world.now))]
    listed = [code for stage in stages for code in codes(world, stage)]
    assert len(stages) >= 5
    assert sorted(listed) == sorted(active)
    assert set(codes(world)) == active


def test_counts_are_what_the_pages_of_the_stages_list(world: World) -> None:
    for stage, _name, number in counts_by_stage(people_on_path(world.study, world.now)):
        assert len(codes(world, stage)) == number


def test_every_stage_has_a_name_and_an_unknown_one_shows_everybody(world: World) -> None:
    assert set(STAGE_NAMES) == set(STAGES)
    assert codes(world, "nonsense") == codes(world)


def test_the_clinicians_step_is_the_sign_off_queue(world: World) -> None:
    """Two selectors that were written apart must name the same people."""
    queued = {item.participant.code for item in sign_off_queue(world.study)}
    rows = people_on_path(world.study, world.now)
    waiting = {
        row.participant.code for row in rows
        if row.step.stage == "sign_off" and row.step.who == "clinician"
    }  # fmt: skip
    assert queued
    assert waiting == queued


def test_who_left_after_a_dose_stays_until_they_are_reached(world: World) -> None:
    dosed = Participant.objects.filter(study=world.study, status="active", doses__isnull=False)
    leaver = dosed.filter(visits__state="done", visits__number=2).first()
    assert leaver is not None
    participant_withdraw(
        participant=leaver, reason="Moves away.",
        actor=cast.actor_of(world.people[Role.COORDINATOR], world.study),
    )  # fmt: skip
    row = next(r for r in people_on_path(world.study, world.now) if r.participant == leaver)
    assert (row.step.stage, row.step.who) == ("withdrawn", "experimenter")
    assert codes(world, "withdrawn") == [leaver.code]
