"""Whichever arm people are in, every blinded role sees the same bytes at every stage of the study."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from django.urls import reverse

from studylab.access import Role
from studylab.allocation import gates, services
from studylab.allocation.models import ListEntry
from studylab.allocation.views import lists as list_views
from studylab.people.models import User
from tests import cast
from tests.allocation.twins import Eyes, differences, twin
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database, pytest.mark.slow]


def _begun() -> Case:
    """A study with a sealed list, kits, and a volunteer with a number; somebody in every blinded role."""
    case = Case()
    with case.now():
        case.users["monitor"] = cast.make_user(cast.NAMES[Role.MONITOR])
        cast.join(case.users["monitor"], case.study, Role.MONITOR)
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
    case.contact(22)
    case.visit_three()
    case.forward(5)
    opened = {"purpose": "treat", "reason": "Collapse at home", "told": "Dr Roe", "password": cast.PASSWORD}
    code = reverse("code_open", kwargs={"study": case.study.slug, "code": case.participant.code})
    assert eyes.send(case, "opening", Role.CLINICIAN, code, opened) == 200
    arm = eyes.sights.pop(("opening", "clinician", "post", code))
    eyes.sights["arm shown to the one who opened it"] = b"Placebo" in arm.body
    case.forward(5)
    eyes.look(case, "code opened", everybody=True)


def test_every_blinded_role_sees_the_same_at_every_stage() -> None:
    one, other = (twin(whole_story, swapped=swapped) for swapped in (False, True))
    # The worlds are what they should be: the one thing that a clinician was shown does differ.
    shown = "arm shown to the one who opened it"
    assert one.pop(shown) != other.pop(shown)
    assert differences(one, other) == []
    assert len(one) > 400


def short_story(eyes: Eyes) -> None:
    """A volunteer with a number."""
    eyes.look(_begun(), "number issued")


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


@pytest.mark.parametrize(
    ("leak", "words"),
    [(_in_words, "bytes differ"), (_in_queries, "queries"), (_in_rows, "rows differ")],
)
def test_a_view_that_leaks_is_caught_and_named(
    leak: Any, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that is open to everybody, made to tell by one second, by one query, or by what it leaves behind."""
    honest = list_views.list_state
    monkeypatch.setattr(list_views, "list_state", lambda study: leak(honest(study)))
    found = differences(*_twins())
    assert found
    assert words in " ".join(found)
    place = "people_user" if leak is _in_rows else "/commitment/"
    assert place in " ".join(found)


def _twins() -> list[Any]:
    return [twin(short_story, swapped=swapped, wanted={"commitment"}) for swapped in (False, True)]
