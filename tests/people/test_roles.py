"""Roles in a study: dated, ended, and never on both sides of the blind."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import DatabaseError, connection, transaction
from django.urls import reverse

from studylab import clock
from studylab.access import BLINDED_ROLES, Role, system_actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Conflict, NotAllowed, Refused
from studylab.people.models import Membership
from studylab.people.selectors import actor_for, studies_of, today_in
from studylab.people.services.roles import role_end, role_grant
from tests.cast import join, make_study, make_user

pytestmark = [pytest.mark.django_db, pytest.mark.database]
START = date(2026, 1, 5)


def url(name: str, study: Any, **kwargs: Any) -> str:
    return reverse(name, kwargs={"study": study.slug, **kwargs})


def grant(study: Any, user: Any, role: Role, actor: Any, **days: Any) -> Membership:
    days.setdefault("starts_on", START)
    return role_grant(study=study, user=user, role=role, actor=actor, **days)


class TestBlind:
    """Whoever can read arms holds no blinded role, at any time: form, service, database."""

    @pytest.mark.parametrize("role", sorted(BLINDED_ROLES))
    @pytest.mark.parametrize("pharmacist_first", [True, False])
    def test_service(
        self, study: Any, lead: Any, actor_of: Any, role: Role, pharmacist_first: bool
    ) -> None:
        person = make_user("Both Sides")
        first, second = (Role.PHARMACIST, role) if pharmacist_first else (role, Role.PHARMACIST)
        grant(study, person, first, actor_of(lead), ends_on=START)
        with pytest.raises(Refused) as refusal:
            grant(study, person, second, actor_of(lead), starts_on=START + timedelta(days=400))
        assert refusal.value.code == "membership_blind_kept"
        assert refusal.value.field == "role"
        assert person.memberships.count() == 1

    @pytest.mark.parametrize("role", sorted(BLINDED_ROLES))
    def test_sql(self, study: Any, pharmacist: Any, role: Role) -> None:
        with pytest.raises(DatabaseError, match="membership_blind_kept"), transaction.atomic():
            insert(study, pharmacist, role)

    def test_sql_update(self, study: Any, pharmacist: Any, experimenter: Any) -> None:
        join(pharmacist, make_study(slug="third", prefix="TH"), Role.EXPERIMENTER)
        with (
            pytest.raises(DatabaseError, match="membership_blind_kept"),
            transaction.atomic(),
            connection.cursor() as cursor,
        ):
            cursor.execute(
                "UPDATE people_membership SET study_id = %s WHERE user_id = %s AND role = 'experimenter'",
                [study.pk, pharmacist.pk],
            )

    def test_form(self, study: Any, lead: Any, pharmacist: Any, client_of: Any) -> None:
        answer = client_of(lead).post(
            url("people_role_add", study),
            {"person_email": pharmacist.email, "role": "clinician", "starts_on": "2027-01-01"},
        )
        assert answer.status_code == 422
        assert "cannot hold a blinded role" in answer.context["form"].errors["role"][0]
        assert pharmacist.memberships.count() == 1

    def test_another_study_is_another_matter(self, study: Any, lead: Any, pharmacist: Any) -> None:
        other = make_study(slug="third", prefix="TH")
        made = grant(other, pharmacist, Role.EXPERIMENTER, system_actor("test"))
        assert made.study_id == other.pk


def insert(study: Any, user: Any, role: str) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "INSERT INTO people_membership (user_id, study_id, role, starts_on, granted_at)"
            " VALUES (%s, %s, %s, '2026-01-05', now())",
            [user.pk, study.pk, role],
        )


def test_an_unknown_role_is_refused_by_the_database(study: Any, coordinator: Any) -> None:
    with pytest.raises(DatabaseError, match="membership_role_known"), transaction.atomic():
        insert(study, coordinator, "emperor")


@pytest.mark.parametrize(
    ("starts", "ends", "state"),
    [(-3, None, 200), (0, 0, 200), (-3, 0, 200), (1, None, 404), (1, 5, 404), (-9, -1, 404)],
)
@pytest.mark.shows("A-12", "B-02")
def test_a_role_gives_access_from_its_first_to_its_last_day(
    study: Any, client_of: Any, starts: int, ends: int | None, state: int
) -> None:
    person = make_user("Dated Person")
    today = today_in(study.timezone)
    Membership.objects.create(
        user=person, study=study, role=Role.MONITOR, granted_at=clock.now(),
        starts_on=today + timedelta(days=starts),
        ends_on=None if ends is None else today + timedelta(days=ends),
    )  # fmt: skip
    assert client_of(person).get(url("people", study)).status_code == state
    assert list(studies_of(person)) == ([study] if state == 200 else [])
    assert bool(actor_for(person, study).roles) == (state == 200)


def test_the_day_is_that_of_the_study(study: Any, client_of: Any) -> None:
    """22:30 on 30 June in Halifax is 1 July in UTC; the role begins on 1 July."""
    person = make_user("Early Person")
    Membership.objects.create(
        user=person, study=study, role=Role.MONITOR, granted_at=clock.now(),
        starts_on=date(2026, 7, 1),
    )  # fmt: skip
    from datetime import UTC, datetime

    client = client_of(person)
    for hour, status in ((datetime(2026, 7, 1, 1, 30, tzinfo=UTC), 404), (datetime(2026, 7, 1, 3, 30, tzinfo=UTC), 200)):  # fmt: skip
        with clock.travel(hour):
            assert client.get(url("people", study)).status_code == status
            assert studies_of(person).exists() == (status == 200)


def test_a_role_is_given_once_for_the_same_days(
    study: Any, lead: Any, coordinator: Any, actor_of: Any
) -> None:
    with pytest.raises(Conflict, match="already Coordinator"):
        grant(study, coordinator, Role.COORDINATOR, actor_of(lead))
    with pytest.raises(Conflict):
        grant(study, coordinator, Role.COORDINATOR, actor_of(lead), ends_on=date(2026, 3, 1))
    assert coordinator.memberships.count() == 1


def test_a_role_comes_back_after_its_end(study: Any, lead: Any, actor_of: Any) -> None:
    person = make_user("Seasonal Person")
    grant(study, person, Role.MONITOR, actor_of(lead), ends_on=date(2026, 1, 31))
    grant(study, person, Role.MONITOR, actor_of(lead), starts_on=date(2026, 2, 1))
    assert person.memberships.count() == 2


class TestEnding:
    @pytest.mark.shows("V-8.3.2")
    def test_at_once(self, study: Any, lead: Any, coordinator: Any, client_of: Any) -> None:
        membership = coordinator.memberships.get()
        working = client_of(coordinator)
        assert working.get(url("people", study)).status_code == 200
        ended = client_of(lead).post(
            url("people_role_end", study, role=membership.uid),
            {"when": "now", "ends_on": "", "reason": "left the lab"},
        )
        assert ended.status_code == 302
        assert working.get(url("people", study)).status_code == 404
        event = Event.objects.get(action=Action.ROLE_ENDED)
        assert event.reason == "left the lab"
        assert event.data["at_once"] is True

    def test_after_a_day(self, study: Any, lead: Any, coordinator: Any, actor_of: Any) -> None:
        today = today_in(study.timezone)
        membership = role_end(
            membership=coordinator.memberships.get(), ends_on=today, reason="leaving",
            actor=actor_of(lead),
        )  # fmt: skip
        assert actor_for(coordinator, study).roles == {Role.COORDINATOR}
        assert membership.stopped_at is None
        with clock.travel(clock.now() + timedelta(days=1, hours=1)):
            assert not actor_for(coordinator, study).roles

    def test_a_day_without_a_date_is_asked_for(
        self, study: Any, lead: Any, coordinator: Any, client_of: Any
    ) -> None:
        answer = client_of(lead).post(
            url("people_role_end", study, role=coordinator.memberships.get().uid),
            {"when": "day", "ends_on": "", "reason": "x"},
        )
        assert answer.status_code == 422
        assert "Enter the last day" in answer.context["form"].errors["ends_on"][0]

    @pytest.mark.parametrize(
        ("shift", "reason", "words"),
        [(-1, "x", "over already"), (0, "  ", "Say why"), (0, "", "Say why")],
    )
    def test_refused(
        self, study: Any, lead: Any, coordinator: Any, actor_of: Any,
        shift: int, reason: str, words: str,
    ) -> None:  # fmt: skip
        with pytest.raises(Refused, match=words):
            role_end(
                membership=coordinator.memberships.get(), reason=reason, actor=actor_of(lead),
                ends_on=today_in(study.timezone) + timedelta(days=shift),
            )  # fmt: skip
        assert coordinator.memberships.get().ends_on is None

    def test_twice(self, study: Any, lead: Any, coordinator: Any, actor_of: Any) -> None:
        membership = coordinator.memberships.get()
        role_end(membership=membership, reason="left", actor=actor_of(lead))
        with pytest.raises(Conflict, match="ended already"):
            role_end(membership=membership, reason="left", actor=actor_of(lead))

    def test_the_last_lead_stays(self, study: Any, lead: Any, actor_of: Any) -> None:
        membership = lead.memberships.get()
        with pytest.raises(Refused, match="only study lead"):
            role_end(membership=membership, reason="left", actor=actor_of(lead))
        join(make_user("Second Lead"), study, Role.LEAD)
        assert role_end(membership=membership, reason="left", actor=actor_of(lead)).stopped_at

    def test_roles_of_another_study_are_not_there(
        self, study: Any, lead: Any, outsider: Any, client_of: Any, actor_of: Any
    ) -> None:
        foreign = outsider.memberships.first()
        page = url("people_role_end", study, role=foreign.uid)
        assert client_of(lead).get(page).status_code == 404
        with pytest.raises(NotAllowed):
            role_end(membership=foreign, reason="x", actor=actor_of(lead))
        with pytest.raises(NotAllowed):
            grant(foreign.study, lead, Role.LEAD, actor_of(lead))


def test_memberships_are_not_deleted(study: Any, coordinator: Any) -> None:
    with (
        pytest.raises(DatabaseError, match="Cannot delete"),
        transaction.atomic(),
        connection.cursor() as cursor,
    ):
        cursor.execute("DELETE FROM people_membership WHERE user_id = %s", [coordinator.pk])


def test_the_page_shows_addresses_and_changes_to_the_lead_only(
    study: Any, lead: Any, coordinator: Any, monitor: Any, client_of: Any
) -> None:
    seen = client_of(lead).get(url("people", study)).content.decode()
    assert coordinator.email in seen
    assert "Nobody has these roles today" in seen
    other = client_of(monitor).get(url("people", study)).content.decode()
    assert coordinator.name in other
    assert coordinator.email not in other
    assert "End role" not in other
