"""Wrong passwords for signatures: counted, refused for a while, told; an emergency opening is slowed down only."""

from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread
from typing import Any

import pytest
from django.db import connection
from django.urls import reverse

from studylab import clock
from studylab.access import Actor
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import Refused
from studylab.outbox.compose import compose
from studylab.outbox.models import Message
from studylab.people.models import User
from studylab.people.rules.signing import LOCKED_FOR, PAUSE, TRIES, Act, standing
from studylab.people.services.signatures import (
    SigningLocked,
    TooSoon,
    WrongPassword,
    check_password,
    check_second_password,
    signature_write,
)
from tests.cast import PASSWORD, make_user

NOW = datetime(2026, 3, 10, 12, tzinfo=UTC)
SECOND = timedelta(seconds=1)
MINUTE = timedelta(minutes=1)


def sign(actor: Actor, password: str = PASSWORD, **more: Any) -> User:
    return check_password(
        actor=actor, password=password, subject_type="thing", subject_code="T-1", **more
    )


def wrong(actor: Actor, times: int, **more: Any) -> WrongPassword:
    for _ in range(times):
        with pytest.raises(WrongPassword) as refusal:
            sign(actor, "wrong", **more)
    return refusal.value


def count(action: Action) -> int:
    return Event.objects.filter(action=action).count()


class TestRules:
    """By hand, at noon: an act is (what, minutes ago)."""

    @pytest.mark.parametrize(
        ("acts", "wrongs", "locked_minutes"),
        [
            ([], 0, None),
            ([("wrong", 1), ("wrong", 2)], 2, None),
            ([("wrong", 1), ("wrong", 10)], 1, None),  # ten minutes ago counts no more
            ([("wrong", 1), ("given", 2), ("wrong", 3)], 1, None),
            ([("locked", 3), ("wrong", 3)], 0, 7),
            ([("wrong", 1), ("wrong", 2), ("locked", 3)], 2, 7),
            ([("wrong", 1), ("locked", 10), ("wrong", 10)], 1, None),
            ([("given", 1), ("locked", 3)], 0, None),  # an opening with the right password
        ],
    )
    def test_what_counts(
        self, acts: list[tuple[str, int]], wrongs: int, locked_minutes: int | None
    ) -> None:
        found = standing([(Act(name), NOW - ago * MINUTE) for name, ago in acts], NOW)
        until = NOW + locked_minutes * MINUTE if locked_minutes is not None else None
        assert (found.wrong, found.until) == (wrongs, until)

    def test_no_guesser_gets_far(self) -> None:
        """At most five tries in ten minutes, and three a minute at an emergency opening."""
        per_day = timedelta(days=1) // LOCKED_FOR * TRIES
        assert per_day <= 720
        assert timedelta(days=1) // PAUSE <= 4320


@pytest.mark.django_db
@pytest.mark.database
class TestLock:
    @pytest.mark.shows("S-06", "V-16.3.3")
    def test_five_wrong_ones_refuse_the_right_one_for_ten_minutes(
        self, actor_of: Any, clinician: Any, lead: Any
    ) -> None:
        doctor = actor_of(clinician)
        with clock.travel(NOW):
            assert "After" not in wrong(doctor, 2).message
            assert "After two more wrong ones" in wrong(doctor, 1).message
            assert "After one more wrong one" in wrong(doctor, 1).message
            fifth = wrong(doctor, 1)
            assert isinstance(fifth, SigningLocked)
            assert "until 12:10 UTC" in fifth.message
            assert "administrator of accounts" in fifth.message
            assert sign(actor_of(lead)) == lead
        with clock.travel(NOW + 10 * MINUTE - SECOND), pytest.raises(SigningLocked):
            sign(doctor)
        with clock.travel(NOW + 10 * MINUTE):
            assert sign(doctor) == clinician
        assert (count(Action.SIGNATURE_REFUSED), count(Action.SIGNATURES_LOCKED)) == (5, 1)
        unseen = Event.objects.get(action=Action.SIGNATURE_UNSEEN)
        assert (unseen.actor_id, unseen.subject_code) == (clinician.pk, "T-1")

    def test_a_signature_clears_the_count(self, actor_of: Any, clinician: Any) -> None:
        doctor = actor_of(clinician)
        wrong(doctor, 4)
        signature_write(
            actor=doctor, user=sign(doctor), meaning="I agree", subject_type="thing", subject_code="T-1",
            content={},
        )  # fmt: skip
        assert not isinstance(wrong(doctor, 4), SigningLocked)
        assert count(Action.SIGNATURES_LOCKED) == 0

    def test_a_second_person_is_named_to_whoever_has_the_page(
        self, actor_of: Any, clinician: Any, lead: Any
    ) -> None:
        second = actor_of(clinician)
        said = []
        for password in (*["wrong"] * 5, PASSWORD):
            with pytest.raises(Refused) as refusal:
                check_second_password(
                    actor=second, password=password, subject_type="t", subject_code=1,
                    page_of=actor_of(lead),
                )  # fmt: skip
            assert refusal.value.field == "second_password"
            said.append(refusal.value.message)
        assert said[3].startswith("This is not the second person")
        assert all(clinician.name in one and "Ask another member" in one for one in said[4:])
        noted = Event.objects.filter(subject_type="t")
        assert {(one.actor_id, one.data["signed_in"]) for one in noted} == {
            (clinician.pk, lead.name)
        }

    def test_the_person_and_the_administrator_are_told_once_an_hour(
        self, actor_of: Any, clinician: Any, client_of: Any, settings: Any
    ) -> None:
        settings.SMTP_HOST, settings.MAIL_FROM = "mail.lab.example", "lab@lab.example"
        admin = make_user("Ada Winther", is_account_admin=True)
        make_user("Bo Away", is_account_admin=True, is_active=False)
        doctor = actor_of(clinician)
        for minutes in (0, 11, 22):
            with clock.travel(NOW + minutes * MINUTE):
                wrong(doctor, 5)
                listed = client_of(admin).get(reverse("accounts")).content.decode()
                assert "signs nothing until" in listed
        mails = {
            one.user_id: compose(one) for one in Message.objects.filter(kind="account_changed")
        }
        assert set(mails) == {clinician.pk, admin.pk}
        assert Message.objects.filter(kind="account_changed").count() == 2
        assert "five wrong passwords for signatures from your account" in mails[clinician.pk].text
        assert clinician.name in mails[admin.pk].text
        assert reverse("accounts") in mails[admin.pk].text
        with clock.travel(NOW + 40 * MINUTE):
            assert (
                "If that was not you"
                in client_of(clinician).get(reverse("my_sign_in")).content.decode()
            )
            assert "signs nothing" not in client_of(admin).get(reverse("accounts")).content.decode()

    def test_an_emergency_opening_waits_twenty_seconds_and_is_never_locked(
        self, actor_of: Any, clinician: Any
    ) -> None:
        doctor = actor_of(clinician)
        with clock.travel(NOW):
            wrong(doctor, 5)
        with clock.travel(NOW + 5 * SECOND), pytest.raises(TooSoon, match="Wait 15 seconds"):
            sign(doctor, urgent=True)
        with clock.travel(NOW + PAUSE):
            assert sign(doctor, urgent=True) == clinician
            with pytest.raises(SigningLocked):
                sign(doctor)
            assert "Enter it again" in wrong(doctor, 1, urgent=True).message
        with clock.travel(NOW + PAUSE + SECOND):
            wrong(doctor, 1)  # another page is not looked at, so it makes nobody wait longer here
        with clock.travel(NOW + 2 * PAUSE):
            assert sign(doctor, urgent=True) == clinician

    def test_wrong_openings_lock_everything_else_again(self, actor_of: Any, clinician: Any) -> None:
        doctor = actor_of(clinician)
        with clock.travel(NOW):
            wrong(doctor, 4, urgent=True)
            assert isinstance(wrong(doctor, 1, urgent=True), TooSoon)
        for turn in range(1, 6):
            with clock.travel(NOW + turn * PAUSE):
                wrong(doctor, 1, urgent=True)
        assert count(Action.SIGNATURES_LOCKED) == 2
        with clock.travel(NOW + 11 * MINUTE), pytest.raises(SigningLocked):
            sign(doctor)

    def test_a_wrong_present_password_counts_as_a_refused_sign_in(
        self, clinician: Any, client_of: Any
    ) -> None:
        new, browser = "seven quiet lanterns", client_of(clinician)
        sent = {"old_password": "wrong", "new_password1": new, "new_password2": new}
        for _ in range(10):
            assert browser.post(reverse("password_change"), sent).status_code == 422
        page = browser.post(reverse("password_change"), sent | {"old_password": PASSWORD})
        assert "Too many wrong passwords" in page.content.decode()
        assert count(Action.SIGN_IN_REFUSED) == 10


@pytest.mark.django_db(transaction=True)
def test_tries_sent_at_once_are_counted_one_by_one() -> None:
    """Twelve at the same moment: five are looked at."""
    user, together = make_user("Ira Quick"), Barrier(12)
    actor = Actor(user_id=user.pk, label=user.name)

    def one_try() -> None:
        together.wait()
        try:
            with pytest.raises(WrongPassword):
                sign(actor, "wrong")
        finally:
            connection.close()

    threads = [Thread(target=one_try) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (count(Action.SIGNATURE_REFUSED), count(Action.SIGNATURE_UNSEEN)) == (5, 7)
