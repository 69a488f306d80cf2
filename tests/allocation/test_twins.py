"""Whichever arm people are in, every blinded role sees the same bytes at every stage of the study."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from scheduling.models import CalendarFeed, Resource
from scheduling.selectors.feeds import feed_file
from screening.services import number_issue
from studylab.access import Role, system_actor
from studylab.allocation import gates, services
from studylab.allocation.models import ListEntry
from studylab.allocation.views import lists as list_views
from studylab.notices.services.standing import notices_stand
from studylab.participants.services import EventSaid, event_record
from studylab.people.models import User
from tests import cast
from tests.allocation.twins import Eyes, differences, twin
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.slow]


def _with_people() -> Case:
    """A study with somebody in every blinded role."""
    case = Case()
    with case.now():
        case.users["monitor"] = cast.make_user(cast.NAMES[Role.MONITOR])
        cast.join(case.users["monitor"], case.study, Role.MONITOR)
    return case


def _begun() -> Case:
    """A study with a sealed list, kits, and a volunteer with a number."""
    case = _with_people()
    case.prepare_study()
    case.screen()
    case.book()
    return case


def whole_story(eyes: Eyes) -> None:
    """From the sealed list to the opened code, with what goes wrong on the way."""
    case = _begun()
    case.visit_one()
    case.begin_two()
    spare = case.study.kits.filter(state="in_stock").first()
    case.act(services.kit_quarantine, "pharmacist", kit=spare, reason="Too warm overnight")
    eyes.look(case, "dose may be given")
    wrong = {"kit_number": spare.number, "count": "1", "strength_mg": "40"}
    give = reverse("dose_give", kwargs={"study": case.study.slug, "uid": case.visit(2).uid})
    assert eyes.send(case, "wrong kit", Role.EXPERIMENTER, give, wrong) == 422
    case.give()
    case.after_dose()
    case.leave()
    case.finish(2)
    eyes.look(case, "dose given")
    for thing in Resource.objects.select_related("user"):
        feed = CalendarFeed(study=case.study, resource=thing)
        eyes.sights["feed", thing.name] = feed_file(feed, case.t)
    case.contact(22)
    case.act(
        event_record, "experimenter", participant=case.participant, source="contact", aware_at=case.t,
        event=EventSaid(
            what="Fainted at home.", term="faint", started_at=None, started_known="unknown", ended_at=None,
            ended_known="unknown", grade=2, criteria=("important",), action="lay down", outcome="recovered",
        ),
    )  # fmt: skip
    case.visit_three()
    case.forward(5)
    opened = {
        "purpose": "treat",
        "reason": "Collapse at home",
        "told": "Dr Roe",
        "password": cast.PASSWORD,
    }
    code = reverse("code_open", kwargs={"study": case.study.slug, "code": case.participant.code})
    assert eyes.send(case, "opening", Role.CLINICIAN, code, opened) == 200
    arm = eyes.sights.pop(("opening", "clinician", "post", code))
    eyes.sights["arm shown to the one who opened it"] = b"Placebo" in arm.body
    case.forward(5)
    with case.now():
        notices_stand(study=case.study, actor=system_actor("notices"))
    eyes.look(case, "code opened", everybody=True)


@pytest.mark.shows("B-01")
def test_every_blinded_role_sees_the_same_at_every_stage() -> None:
    one, other = (twin(whole_story, swapped=swapped) for swapped in (False, True))
    # The worlds are what they should be: the one thing that a clinician was shown does differ.
    shown = "arm shown to the one who opened it"
    assert one.pop(shown) != other.pop(shown)
    assert differences(one, other) == []
    assert len(one) > 400


def _arm() -> str | None:
    return gates.entry_to_verify(ListEntry.objects.get(participant__isnull=False))


def _in_words(state: Any) -> Any:
    return replace(state, sealed_at=state.sealed_at + timedelta(seconds=_arm() == "active"))


def _in_queries(state: Any) -> Any:
    if _arm() == "active":
        User.objects.count()
    return state


def _in_rows(state: Any) -> Any:
    if _arm() == "active":
        User.objects.filter(name=cast.NAMES[Role.LEAD]).update(name="Lev Okonjo ")
    return state


# Each stage leaks in another way; the last one changes a row, so nothing is looked at after it.
LEAKS: dict[str, tuple[Any, str, str]] = {
    "leaking bytes": (_in_words, "bytes differ", "/commitment/"),
    "leaking queries": (_in_queries, "queries", "/commitment/"),
    "leaking rows": (_in_rows, "rows differ", "people_user"),
}


def leaking_story(eyes: Eyes) -> None:
    """A volunteer with a number, and a page open to everybody that is made to tell."""
    case, honest = _with_people(), list_views.list_state
    case.prepare_study()
    case.screen()
    case.act(number_issue, "coordinator", participant=case.participant)
    for stage, (leak, _words, _place) in LEAKS.items():
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(list_views, "list_state", lambda study, leak=leak: leak(honest(study)))
            eyes.look(case, stage)


def test_a_view_that_leaks_is_caught_and_named() -> None:
    """By one second, by one query, or by what it leaves behind."""
    pair = [twin(leaking_story, swapped=s, wanted={"commitment"}) for s in (False, True)]
    found = differences(*pair)
    for stage, (_leak, words, place) in LEAKS.items():
        said = " ".join(one for one in found if stage in one)
        assert words in said
        assert place in said
