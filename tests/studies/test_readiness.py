"""What must exist before the first volunteer, booking and dose: the pure rules, the checks, the page."""

import re
from datetime import timedelta
from typing import Any

import pytest
from django.urls import resolve, reverse

from scheduling.rules.openings import Hours
from scheduling.services.resources import opening_set, resource_add
from studylab import clock
from studylab.access import ROLE_CAPS, Cap, Role
from studylab.studies import readiness
from studylab.studies.readiness import ready_lines, register_readiness
from studylab.studies.rules.readiness import Before, Ready, Stands, stages, summary
from tests import cast


def line(before: Before, stands: Stands, key: str = "x") -> Ready:
    return Ready(key, key, before, stands, "why", Cap.SETUP_EDIT, "set_up")


class TestRules:
    def test_what_is_missing_comes_first_and_a_look_keeps_nothing(self) -> None:
        found = stages(
            [
                line(Before.VOLUNTEER, Stands.READY, "a"),
                line(Before.VOLUNTEER, Stands.LOOK, "b"),
                line(Before.DOSE, Stands.LOOK, "c"),
                line(Before.DOSE, Stands.MISSING, "d"),
            ]
        )
        assert [stage.before for stage in found] == list(Before)
        assert [[one.key for one in stage.lines] for stage in found] == [["b", "a"], [], ["d", "c"]]
        assert [stage.is_ready for stage in found] == [True, True, False]
        assert summary(found) == "1 thing is missing, 1 of them before the first dose."

    def test_the_first_moment_that_is_not_ready_is_named(self) -> None:
        found = stages([line(Before.DOSE, Stands.MISSING), line(Before.BOOKING, Stands.MISSING)])
        assert summary(found) == "2 things are missing, 1 of them before the first booking."
        assert summary(stages([])).startswith("Nothing is missing")

    def test_who_brings_it_is_said_in_roles(self) -> None:
        assert line(Before.DOSE, Stands.MISSING).by == "study lead"
        seal = Ready("l", "l", Before.DOSE, Stands.MISSING, "", Cap.LIST_MANAGE, "list_seal")
        assert seal.by == "pharmacist"


def state_of(study: Any) -> dict[str, Ready]:
    return {one.key: one for one in ready_lines(study, clock.now())}


@pytest.mark.django_db
class TestChecks:
    def test_a_new_study_lacks_nearly_everything(self, study: Any, lead: Any) -> None:
        found = state_of(study)
        wanted = {
            "limits", "role-clinician", "role-pharmacist", "role-coordinator", "role-experimenter",
            "list", "kits", "identity", "practice", "kind-lab room", "kind-sensor set", "rota",
            "on-cover", "holidays", "background", "backup",
        }  # fmt: skip
        assert {key for key in wanted if found[key].stands is not Stands.MISSING} == set()
        assert found["role-lead"].stands is Stands.READY
        assert {found[key].stands for key in ("phones", "tablets", "sender", "rescue")} == {
            Stands.LOOK
        }
        assert "put your own" in found["phones"].text

    def test_every_line_leads_to_a_page_that_asks_for_its_capability(self, study: Any) -> None:
        """Whoever is named as bringing it must be let in, or nobody could."""
        for one in ready_lines(study, clock.now()):
            address = reverse(one.page, kwargs={"study": study.slug, **one.where})
            view: Any = resolve(address).func
            roles = {role for role in Role if one.cap in ROLE_CAPS[role]}
            opens = {role for role in Role if view.required_capability in ROLE_CAPS[role]}
            assert roles, one.key
            assert roles <= opens, one.key

    def test_two_pharmacists_are_needed(self, study: Any, pharmacist: Any) -> None:
        only = state_of(study)["role-pharmacist"]
        assert only.stands is Stands.MISSING
        assert "a second pharmacist" in only.text
        cast.second_pharmacist(study)
        assert state_of(study)["role-pharmacist"].stands is Stands.READY

    def test_a_room_counts_once_it_has_hours(self, study: Any, lead: Any, actor_of: Any) -> None:
        room = resource_add(
            kind="lab room", name="Quay room", places=1, user=None, timezone=study.timezone,
            actor=actor_of(lead),
        )  # fmt: skip
        assert state_of(study)["kind-lab room"].stands is Stands.MISSING
        hours = [Hours(0, *(clock.now().replace(hour=h, minute=0).time() for h in (8, 18)))]
        opening_set(resource=room, rows=hours, actor=actor_of(lead))
        assert state_of(study)["kind-lab room"].stands is Stands.READY

    def test_a_rota_counts_for_whom_its_hours_belong_to(
        self, study: Any, lead: Any, experimenter: Any, second_experimenter: Any, actor_of: Any
    ) -> None:
        thing = resource_add(
            kind="experimenter", name=experimenter.name, places=1, user=experimenter,
            timezone=study.timezone, actor=actor_of(lead),
        )  # fmt: skip
        hours = [Hours(0, *(clock.now().replace(hour=h, minute=0).time() for h in (8, 18)))]
        opening_set(resource=thing, rows=hours, actor=actor_of(lead))
        found = state_of(study)["rota"]
        assert found.stands is Stands.LOOK
        assert found.text == f"Without hours of their own: {second_experimenter.name}."

    def test_a_practised_opening_counts_for_ninety_days(self, study: Any, clinician: Any) -> None:
        assert clinician.name in state_of(study)["practice"].text
        cast.practise(study, clinician)
        assert state_of(study)["practice"].stands is Stands.READY
        with clock.travel(clock.now() + timedelta(days=91)):
            assert state_of(study)["practice"].stands is Stands.MISSING

    def test_what_cannot_be_looked_at_is_missing(
        self, study: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def broken(study: Any, at: Any) -> Any:
            study.pk / 0
            yield from ()

        monkeypatch.setattr(readiness, "_registered", {})
        register_readiness("rooms", broken)
        (found,) = ready_lines(study, clock.now())
        assert (found.key, found.stands) == ("rooms", Stands.MISSING)
        assert "could not be looked at" in found.text


@pytest.mark.django_db
class TestPage:
    def test_the_lead_sees_what_is_missing_and_for_whom(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        page = client_of(lead).get(reverse("set_up_ready", kwargs={"study": study.slug}))
        words = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page.content.decode()))
        for expected in (
            "Before the first volunteer", "Before the first dose", "For the pharmacist.",
            "For the clinician.", "not ready",
        ):  # fmt: skip
            assert expected in words, expected
        assert f'href="{reverse("people", kwargs={"study": study.slug})}"' in page.content.decode()
        assert reverse("list_seal", kwargs={"study": study.slug}) not in page.content.decode()

    def test_a_study_in_set_up_says_so_on_the_leads_front_page(
        self, client_of: Any, lead: Any, study: Any
    ) -> None:
        front = reverse("home", kwargs={"study": study.slug})
        where = reverse("set_up_ready", kwargs={"study": study.slug})
        assert "Set up the study" not in client_of(lead).get(front).content.decode()
        study.state = "setup"
        study.save()
        page = client_of(lead).get(front).content.decode()
        assert "Set up the study" in page
        assert where in page
