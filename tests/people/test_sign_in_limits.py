"""How long a sign-in lasts, the list of one's own, what ends them, and how many attempts there are."""

from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test import Client
from django.urls import reverse

from studylab import clock
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.outbox.compose import compose
from studylab.outbox.models import Message
from studylab.people.models import SignIn
from studylab.people.rules.browsers import browser_words
from studylab.people.rules.passwords import guessable, length_problem
from tests.cast import PASSWORD, actor_of, shown_in
from tests.people.authenticators import enrol, password_first
from tests.people.tablets import enrol as enrol_tablet
from tests.people.tablets import sign_in

pytestmark = [pytest.mark.django_db, pytest.mark.database]
FIREFOX = "Mozilla/5.0 (Windows NT 10.0; Win64; x64; rv:140.0) Gecko/20100101 Firefox/140.0"
HOUR = timedelta(hours=1)


@pytest.fixture
def _limits(settings: Any) -> None:
    settings.SIGN_IN_IDLE, settings.SIGN_IN_LONGEST = HOUR, 12 * HOUR


def inside(browser: Client) -> bool:
    return browser.get(reverse("my_sign_in")).status_code == 200


@pytest.mark.usefixtures("_limits")
class TestLimits:
    @pytest.mark.shows("V-7.3.1")
    def test_an_hour_without_an_act_ends_it(self, lead: Any) -> None:
        start, browser = clock.now(), Client()
        with clock.travel(start):
            password_first(browser, lead)
        with clock.travel(start + timedelta(minutes=59)):
            assert inside(browser)
        with clock.travel(start + timedelta(minutes=117)):
            assert inside(browser)
        with clock.travel(start + timedelta(minutes=178)):
            answer = browser.get(reverse("my_sign_in"), follow=True)
            assert "nobody did anything for a while" in answer.content.decode()
            assert not inside(browser)
        row = SignIn.objects.get(user=lead)
        assert row.ended_how == SignIn.Ended.IDLE
        event = Event.objects.get(action=Action.SIGN_IN_RUN_OUT)
        assert (event.actor_id, event.data) == (lead.pk, {"limit": "idle"})

    @pytest.mark.shows("V-7.3.2")
    def test_twelve_hours_end_it_however_busy(self, lead: Any) -> None:
        start, browser = clock.now(), Client()
        with clock.travel(start):
            password_first(browser, lead)
        for minutes in range(50, 720, 50):
            with clock.travel(start + timedelta(minutes=minutes)):
                assert inside(browser), minutes
        with clock.travel(start + 12 * HOUR):
            assert not inside(browser)
        assert SignIn.objects.get(user=lead).ended_how == SignIn.Ended.LIMIT

    def test_what_a_page_asks_by_itself_is_no_act(self, lead: Any) -> None:
        start, browser = clock.now(), Client()
        with clock.travel(start):
            password_first(browser, lead)
        for minutes in (25, 50):
            with clock.travel(start + timedelta(minutes=minutes)):
                browser.post(reverse("still_here"))
        with clock.travel(start + timedelta(minutes=61)):
            assert not inside(browser)

    def test_a_named_tablet_locks_instead(self, study: Any, lead: Any, experimenter: Any) -> None:
        start = clock.now()
        with clock.travel(start):
            _device, tablet = enrol_tablet(study, lead)
            sign_in(tablet, experimenter)
        with clock.travel(start + 3 * HOUR):
            assert tablet.get(reverse("my_sign_in"))["Location"] == reverse("lock")
            tablet.post(reverse("unlock"), {"password": PASSWORD})
            assert inside(tablet)
        with clock.travel(start + 12 * HOUR):
            assert tablet.get(reverse("my_sign_in"))["Location"].startswith("/sign-in/")


def test_one_sees_and_ends_ones_own_sign_ins(lead: Any, coordinator: Any) -> None:
    here, there, third, foreign = Client(), Client(HTTP_USER_AGENT=FIREFOX), Client(), Client()
    for browser in (here, there, third):
        password_first(browser, lead)
    password_first(foreign, coordinator)
    page = here.get(reverse("my_sign_in")).content.decode()
    assert "Firefox on Windows" in page
    rows = list(SignIn.objects.filter(user=lead).order_by("pk"))
    assert here.post(reverse("sign_ins"), {"one": rows[1].uid})["Location"] == reverse("my_sign_in")
    assert not inside(there)
    assert inside(third)
    stranger = SignIn.objects.get(user=coordinator)
    here.post(reverse("sign_ins"), {"one": stranger.uid})
    assert inside(foreign)
    here.post(reverse("sign_ins"))
    assert not inside(third)
    assert inside(here)
    assert Event.objects.filter(action=Action.SIGN_INS_ENDED, actor_id=lead.pk).count() == 2


def test_a_new_password_ends_the_others_and_a_closed_account_all(lead: Any) -> None:
    here, there = Client(), Client()
    for browser in (here, there):
        password_first(browser, lead)
    new = "seven quiet lanterns"
    sent = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
    assert here.post(reverse("password_change"), sent).status_code == 302
    assert inside(here)
    assert not inside(there)
    assert SignIn.objects.filter(user=lead, ended_how=SignIn.Ended.PASSWORD).count() == 1
    lead.refresh_from_db()
    lead.is_active = False
    lead.save()
    assert not inside(here)


def test_too_many_attempts_from_one_network_are_not_looked_at(lead: Any, settings: Any) -> None:
    settings.ACCOUNT_RATE_LIMITS = {"login": "3/m/ip", "login_failed": None}
    settings.MFA_RATE_LIMITS = {"webauthn_login": "2/m/ip"}
    for turn in range(4):
        answer = password_first(Client(REMOTE_ADDR="192.0.2.7"), lead, "wrong")
        assert answer.status_code == (429 if turn == 3 else 422)
    assert "Too many attempts" in answer.content.decode()
    assert password_first(Client(REMOTE_ADDR="192.0.2.8"), lead).status_code == 302
    assert password_first(Client(REMOTE_ADDR=""), lead).status_code == 302  # behind a socket
    statuses = [Client().post(reverse("passkey_sign_in")).status_code for _ in range(3)]
    assert statuses == [302, 302, 429]


def test_counts_are_shared_by_all_processes(db: Any) -> None:
    cache.set("studylab-test", 1, 60)
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM studylab_cache WHERE cache_key LIKE '%studylab-test'")
        assert cursor.fetchone() == (1,)


def test_changes_are_mailed_without_a_secret(lead: Any, settings: Any) -> None:
    settings.SMTP_HOST, settings.MAIL_FROM = "mail.lab.example", "lab@lab.example"
    browser = Client()
    password_first(browser, lead)
    secret = enrol(browser)
    message = Message.objects.get(kind="account_changed")
    assert (message.user_id, message.participant_id) == (lead.pk, None)
    mail = compose(message)
    assert mail.to == lead.email
    assert "A second step was added to your sign-in." in mail.text
    assert secret not in mail.text


def test_the_lead_chooses_which_roles_need_one(
    client_of: Any, lead: Any, coordinator: Any, study: Any
) -> None:
    page = reverse("second_step_roles", args=[study.slug])
    assert client_of(coordinator).post(page, {"roles": ["lead"]}).status_code == 403
    client = client_of(lead)
    seen = shown_in(client.get(page))
    assert client.post(page, {"roles": ["pharmacist"], **seen}).status_code == 422
    assert client.post(page, {"roles": ["monitor", "lead"], **seen}).status_code == 302
    study.refresh_from_db()
    assert study.second_step_roles == ["lead", "monitor"]
    event = Event.objects.get(action=Action.SECOND_STEP_ROLES_CHOSEN)
    assert event.data["roles"] == [[], ["lead", "monitor"]]
    assert actor_of(lead, study).user_id == event.actor_id


class TestPasswords:
    @pytest.mark.parametrize(
        "text", ["short 8!", "日本語のパス"[:6] * 2, "    ....    ....", "ÄÖÜ" * 5]
    )
    @pytest.mark.shows("V-6.2.1")
    def test_every_sign_counts_as_one(self, text: str) -> None:
        assert (length_problem(text, 15) == "") is (len(text) >= 15)
        assert (length_problem(text, 8) == "") is (len(text) >= 8)

    @pytest.mark.shows("V-6.2.9")
    def test_long_ones_are_kept_whole(self, lead: Any) -> None:
        long = "lantern harbour " * 8
        assert len(long) == 128
        lead.set_password(long)
        assert lead.check_password(long)
        assert not lead.check_password(long[:-1])
        assert length_problem(long, 15) == ""
        assert "257 signs" in length_problem("x" * 257, 15)

    def test_the_same_letter_from_another_keyboard_fits(self, lead: Any) -> None:
        lead.set_password("Z\u00fcrich by the quiet lake")
        assert lead.check_password("Zu\u0308rich by the quiet lake")

    @pytest.mark.parametrize(
        ("text", "bad"),
        [("studylabstudylab1", True), ("Lev Okonjo 2026", True), ("aaaaaaaaaaaaaaaa", True),
         ("abcdefghijklmnop", True), ("lev keeps eleven geese", False), ("7 red kites over", False)],
    )  # fmt: skip
    def test_names_and_runs_are_refused(self, text: str, bad: bool) -> None:
        assert bool(guessable(text, ("Lev", "Okonjo", "lev.okonjo@lab.example"))) is bad


@pytest.mark.parametrize(
    ("said", "words"),
    [(FIREFOX, "Firefox on Windows"), ("", ""), ("curl/8", ""),
     ("Mozilla/5.0 (iPad; CPU OS 18_0 like Mac OS X) AppleWebKit/605 Version/18.0 Safari/604.1", "Safari on iPad"),
     ("Mozilla/5.0 (X11; Linux x86_64) Chrome/140.0 Safari/537.36 Edg/140.0", "Edge on Linux")],
)  # fmt: skip
def test_browsers_are_named_in_words(said: str, words: str) -> None:
    assert browser_words(said) == words
