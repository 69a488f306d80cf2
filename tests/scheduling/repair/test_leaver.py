"""Somebody leaves: what they hold is shown first, everything ends at once, and visits booked with them are to repair."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from scheduling.models import Booking, Closure, Resource
from scheduling.selectors.outages import hit_count
from screening.models import VitalDraft
from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.participants.services.holds import hold_open
from studylab.people.leaving import held_by
from studylab.people.models import Membership, SignIn, User
from studylab.people.services.leaving import person_leave
from tests.cast import PASSWORD, actor_of, join, make_study, make_user
from tests.people.inviting import invite
from tests.scheduling.repair.test_repair import book_at_same_times

pytestmark = [pytest.mark.django_db, pytest.mark.database]


def leaving_page(study: Any, user: Any) -> str:
    return reverse("people_leave", kwargs={"study": study.slug, "person": user.pk})


@pytest.fixture
def helper(lab: None, study: Any, clinician: Any, booker: Actor) -> User:
    """An experimenter with whom visits are booked."""
    book_at_same_times(study, clinician, booker, range(1, 2))
    rows = Resource.objects.filter(kind="experimenter", places__bookings__is_active=True)
    user: User = rows.distinct().order_by("pk")[0].user
    join(user, study, Role.EXPERIMENTER)
    return user


@pytest.mark.shows("A-12")
def test_what_they_hold_is_shown_and_then_all_access_ends_at_once(
    helper: User, study: Any, lead: Any, client_of: Callable[[Any], Client]
) -> None:
    hold_open(
        participant=study.participants.get(), kind="symptom", reason="Dizzy on the stairs.",
        actor=actor_of(helper, study),
    )  # fmt: skip
    VitalDraft.objects.create(
        participant=study.participants.get(), gate="screening", content={}, holder=helper, begun_by=helper,
        begun_at=clock.now(), kept_at=clock.now(),
    )  # fmt: skip
    working = Client()
    working.post(reverse("sign_in"), {"username": helper.email, "password": PASSWORD})
    today = reverse("people", args=[study.slug])
    assert working.get(today).status_code == 200
    boss = client_of(lead)
    shown = boss.get(leaving_page(study, helper)).content.decode()
    for words in ("Experimenter", "1 hold they opened", "booked with them", "1 set of readings", "Signed in at 1 place"):  # fmt: skip
        assert words in shown, words
    assert reverse("repair", args=[study.slug]) not in shown, "the lead may not open it"
    assert hit_count(study, clock.now()) == 0
    assert boss.post(leaving_page(study, helper), {"reason": " "}).status_code == 422
    done = boss.post(leaving_page(study, helper), {"reason": "End of contract."}, follow=True)
    assert "Visits booked with them stand under" in done.content.decode()
    assert working.get(today).status_code in (302, 404)
    assert working.get(today, follow=True).redirect_chain[-1][0].startswith("/sign-in/")
    assert not SignIn.objects.filter(user=helper, ended_at=None).exists()
    assert hit_count(study, clock.now()) == 1
    assert Closure.objects.get().resource.user == helper
    event = Event.objects.get(action=Action.PERSON_LEFT)
    assert (event.reason, event.data["roles"]) == ("End of contract.", ["experimenter"])
    assert "private" not in Closure.objects.get().reason
    assert "holds no role" in boss.get(leaving_page(study, helper)).content.decode()
    with pytest.raises(Conflict):
        person_leave(study=study, user=helper, reason="x", actor=actor_of(lead, study))


def test_whoever_stays_in_another_study_keeps_that_and_their_place(
    helper: User, study: Any, lead: Any, client_of: Callable[[Any], Client]
) -> None:
    other = make_study(slug="other-study", prefix="OT")
    join(helper, other, Role.EXPERIMENTER)
    working = client_of(helper)
    left = person_leave(study=study, user=helper, reason="moved", actor=actor_of(lead, study))
    assert (left.roles, left.followed) == (1, ())
    assert working.get(reverse("people", args=[study.slug])).status_code == 404
    assert working.get(reverse("people", args=[other.slug])).status_code == 200
    assert not Closure.objects.exists()
    assert Booking.objects.filter(is_active=True, place__resource__user=helper).exists()


def test_roles_that_begin_later_end_too_and_invitations_close(
    lab: None, study: Any, lead: Any
) -> None:
    second = make_user("Second Lead")
    join(second, study, Role.LEAD)
    later = join(second, study, Role.MONITOR)
    Membership.objects.filter(pk=later.pk).update(starts_on="2027-03-01")
    made = invite(study, actor_of(second, study))
    assert "1 open invitation" in held_by(study, second, actor_of(lead, study))[0].text
    left = person_leave(study=study, user=second, reason="left", actor=actor_of(lead, study))
    assert left.roles == 2
    assert not second.memberships.filter(stopped_at=None).exists()
    made.refresh_from_db()
    assert made.ended_at is None, "somebody else may send it again"


def test_the_only_lead_does_not_leave_and_nobody_of_another_study_is_there(
    study: Any, lead: Any, coordinator: Any, outsider: Any, client_of: Callable[[Any], Client]
) -> None:
    answer = client_of(lead).post(leaving_page(study, lead), {"reason": "tired"})
    assert answer.status_code == 422
    assert "only study lead" in answer.content.decode()
    assert client_of(lead).get(leaving_page(study, outsider)).status_code == 404
    with pytest.raises(NotAllowed):
        person_leave(study=study, user=lead, reason="x", actor=actor_of(coordinator, study))
    with pytest.raises(Refused):
        person_leave(study=study, user=coordinator, reason=" ", actor=actor_of(lead, study))
