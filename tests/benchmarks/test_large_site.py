"""The large site: a small story multiplied, under the guards, into rows that every page and check takes for real."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import connection
from django.db.models import Q
from django.test import Client
from django.urls import reverse

from scheduling.models import Dose, Payment, StepRecord
from screening.models import AnswerSet, Check, VitalSet
from screening.selectors.queue import sign_off_queue
from screening.selectors.sign_off import sign_off_state
from screening.views import sign_off
from studylab import clock, codes
from studylab.access import ROLE_CAPS, Cap
from studylab.allocation.models import AllocationList
from studylab.allocation.selectors.verification import list_differences
from studylab.allocation.views import telling
from studylab.audit.history import STANDS
from studylab.audit.models import Event
from studylab.audit.services import seal_events
from studylab.management.demo.cast import STAFF
from studylab.management.demo.lab import Lab, build_lab
from studylab.management.demo.large.fill import fill
from studylab.management.demo.large.load import check_wanted, demo_lab
from studylab.management.demo.large.spread import needed, spread
from studylab.management.demo.plot import Plot
from studylab.management.demo.visits import VisitWalk
from studylab.participants.contact import box_open
from studylab.participants.models import Consent, EventEntry, Participant
from studylab.studies.models import Study
from tests.worlds import world

ROOT, SOURCES = Path(__file__).parents[2], ("studylab", "screening", "scheduling")
TODAY = date(2026, 2, 11)
NOON = datetime(2026, 2, 11, 16, tzinfo=UTC)
PAGES = (
    ("home", Cap.HOME_VIEW),
    ("people_on_path", Cap.VOLUNTEER_VIEW),
    ("today", Cap.TODAY_VIEW),
    ("calendar", Cap.CALENDAR_VIEW),
    ("volunteers", Cap.VOLUNTEER_VIEW),
    ("sign_off_queue", Cap.SIGN_OFF),
    ("dispensary", Cap.DISPENSE),
    ("safety", Cap.SAFETY_VIEW),
    ("record", Cap.RECORD_VIEW),
)


@world
def small_story() -> Plot:
    """One volunteer who finished, one whose first visit is under way, one signed off, one who answered, one enquiry."""
    quiet = Plot(build_lab(NOON - timedelta(days=63)), TODAY, lambda _text: None)
    walker = quiet.new(-30)
    walker.screened(quiet.at(-29, 10))
    quiet._through(
        walker,
        list(walker.book(quiet.at(-27, 11), quiet.at(-24, 9)).visits.order_by("number")),
        -24,
    )
    walker = quiet.new(-7)
    walker.screened(quiet.at(-6, 10))
    first = walker.book(quiet.at(-3, 15), quiet.at(0, 12)).visits.get(number=1)
    VisitWalk(walker, first, "experimenter").begin().run(quiet.now)
    quiet.new(-6).screened(quiet.at(-5, 10))
    quiet.new(-4).answers(quiet.at(-3, 9))
    quiet.new(0, 8)
    return quiet


@world
def large(small_story: Plot) -> list[Study]:
    lab = small_story.lab
    said: list[str] = []
    filled = fill(
        lab=Lab(lab.study, lab.users, lab.began),
        now=small_story.now,
        volunteers=35,
        studies=3,
        seed=1,
        say=said.append,
    )
    assert (filled.studies, filled.volunteers, len(said)) == (2, 30, 2)
    with connection.cursor() as cursor:
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
    return list(Study.objects.exclude(pk=lab.study.pk).order_by("id"))


def test_the_copies_are_as_real_as_the_story(small_story: Plot, large: list[Study]):
    first = large[0]
    kinds = {
        study.pk: {sign_off_state(who, small_story.now).kind for who in study.participants.all()}
        for study in (small_story.lab.study, first)
    }
    assert kinds[small_story.lab.study.pk] == {"eligible", "lapsed", "none"}
    assert kinds[first.pk] == {"eligible", "lapsed", "none"}  # and never "void"
    assert [list_differences(one) for one in AllocationList.objects.all()] == [[]] * 3
    people = Participant.objects.filter(study__in=large).select_related("person__contact")
    names = {box_open(bytes(who.person.contact.box), who.person.uid) for who in people}
    assert len(names) == len(people) == 30
    assert all(codes.is_valid(who.code, "participant") for who in people)
    seen = set(
        Event.objects.filter(study_id=first.pk)
        .exclude(participant_code="")
        .values_list("participant_code", flat=True)
    )
    assert seen == set(first.participants.values_list("code", flat=True))
    with clock.travel(small_story.now):
        for member in STAFF[:1] + STAFF[1:2] + STAFF[3:4] + STAFF[5:6]:
            _every_page(member, small_story, first)


def _every_page(member, story: Plot, study: Study) -> None:
    client = Client()
    client.force_login(story.lab.users[member.key])
    for name, cap in PAGES:
        if cap in ROLE_CAPS[member.role]:
            answer = client.get(reverse(name, args=[study.slug]))
            assert answer.status_code == 200, (member.key, name)


def test_the_trail_of_the_copies_is_sealed_like_any_other(large: list[Study], capsys):
    while seal_events():
        pass
    call_command("verify_audit")


def test_volunteers_are_spread_over_studies_in_every_state():
    shares = spread(volunteers=50_000, studies=39, all_people=60, past_people=45, dice=Random(1))
    assert {share.state for share in shares} == {"open", "paused", "setup", "closed"}
    assert needed(shares) == 50_000
    taken = [
        (group.lane, group.days) for share in shares for group in share.groups if not group.live
    ]
    assert len(taken) == len(set(taken))  # no two in the same rooms at the same time
    assert max(share.people for share in shares) == shares[0].people > 10_000


def test_what_is_not_the_demonstration_is_left_alone(small_story: Plot):
    assert demo_lab().study == small_story.lab.study
    Study.objects.filter(pk=small_story.lab.study.pk).update(slug="our-own")
    with pytest.raises(CommandError, match="not the small demonstration"):
        call_command("load_demo", "--volunteers", "600", "--studies", "2")
    with pytest.raises(CommandError, match="--volunteers must be between 300"):
        check_wanted(100, 5)
    with pytest.raises(CommandError, match="--studies must be between 2"):
        check_wanted(100, 1)


def test_what_corrects_another_row_is_found_by_an_index_of_such_rows_only():
    for model in (Consent, EventEntry, AnswerSet, VitalSet, Check, StepRecord, Dose, Payment):
        of_corrections = Q(supersedes__isnull=False)
        assert any(one.condition == of_corrections for one in model._meta.indexes), model


@pytest.mark.django_db
def test_what_stands_is_a_search_for_rows_without_a_partner():
    for model in (Consent, EventEntry, AnswerSet, VitalSet, Check, StepRecord, Dose, Payment):
        assert "Anti Join" in model.objects.filter(STANDS).explain(), model
    for file in (one for place in SOURCES for one in (ROOT / place).rglob("*.py")):
        assert "superseded_by=None" not in file.read_text(encoding="utf-8"), f"{file}: use STANDS"


def test_long_queues_come_in_pages(small_story: Plot, large: list[Study], monkeypatch):
    monkeypatch.setattr(sign_off, "PER_PAGE", 1)
    monkeypatch.setattr(telling, "PER_PAGE", 1)
    client, study = Client(), large[0]
    with clock.travel(small_story.now):
        client.force_login(small_story.lab.users["lead"])
        answer = client.get(reverse("arm_wishes", args=[study.slug]))
        assert answer.content.decode().count('scope="row"') == 1
        assert "Page 1 of" in answer.content.decode()
        client.force_login(small_story.lab.users["clinician"])
        answer = client.get(reverse("sign_off_queue", args=[study.slug]))
        waiting = len(sign_off_queue(study))
    assert waiting > 1
    assert len(answer.context["items"]) == 1
    assert f"Page 1 of {waiting}" in answer.content.decode()
