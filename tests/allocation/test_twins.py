"""Whichever arm people are in, every blinded role sees the same bytes at every stage of the study."""

import time

import pytest
from django.urls import reverse

from studylab.access import Role
from studylab.allocation import services
from tests import cast
from tests.allocation.twins import Eyes, differences, twin
from tests.scheduling.sheet.builder import Case

pytestmark = [pytest.mark.django_db, pytest.mark.database, pytest.mark.slow]


def whole_story(eyes: Eyes) -> None:
    """From the sealed list to the opened code, with what goes wrong on the way."""
    case = Case()
    with case.now():
        case.users["monitor"] = cast.make_user(cast.NAMES[Role.MONITOR])
        cast.join(case.users["monitor"], case.study, Role.MONITOR)
    case.prepare_study()
    case.screen()
    case.book()
    eyes.look(case, "number issued")
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
    opened = {"reason": "Collapse at home", "told": "Dr Roe", "password": cast.PASSWORD}
    code = reverse("code_open", kwargs={"study": case.study.slug, "code": case.participant.code})
    assert eyes.send(case, "opening", Role.CLINICIAN, code, opened) == 200
    arm = eyes.sights.pop(("opening", "clinician", "post", code))
    eyes.sights["arm shown to the one who opened it"] = b"Placebo" in arm.body
    case.forward(5)
    eyes.look(case, "code opened", everybody=True)


def test_every_blinded_role_sees_the_same_at_every_stage() -> None:
    begun = time.monotonic()
    one, other = (twin(whole_story, swapped=swapped) for swapped in (False, True))
    # The worlds are what they should be: the one thing that a clinician was shown does differ.
    shown = "arm shown to the one who opened it"
    assert one.pop(shown) != other.pop(shown)
    print(len(one), "places", time.monotonic() - begun)
    assert differences(one, other) == []
    assert len(one) > 800
