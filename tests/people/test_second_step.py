"""Second steps: who needs one, one-time codes, recovery codes."""

import base64
import time
from typing import Any

import pytest
import time_machine
from allauth.mfa.models import Authenticator
from allauth.mfa.totp.internal.auth import validate_totp_code
from django.test import Client
from django.urls import reverse

from studylab.access import Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.people.models import SignIn
from tests.cast import PASSWORD, make_user
from tests.people.authenticators import code_of, enrol, password_first, recovery_codes_of

pytestmark = [pytest.mark.django_db, pytest.mark.database]
STEP = "/sign-in/second-step/"


@pytest.fixture(autouse=True)
def _asked_for(settings: Any) -> None:
    """As on a real site."""
    settings.SECOND_STEP_WAIVED = False


def signed_in(user: Any, **more: str) -> Client:
    browser = Client(**more)
    assert password_first(browser, user).status_code == 302
    return browser


def set_up(study: Any) -> str:
    return reverse("set_up", kwargs={"study": study.slug})


# RFC 6238, appendix B, SHA-1, the last six of its eight digits.
@pytest.mark.parametrize(
    ("at", "eight"),
    [(1111111109, "07081804"), (1111111111, "14050471"), (1234567890, "89005924"),
     (2000000000, "69279037")],
)  # fmt: skip
def test_codes_are_those_of_the_standard(at: int, eight: str) -> None:
    secret = base64.b32encode(b"12345678901234567890").decode()
    assert code_of(secret, at, digits=8) == eight
    for moment, fits in (
        (at, True),
        (at + 30, True),
        (at - 30, True),
        (at + 61, False),
        (at - 61, False),
    ):
        with time_machine.travel(moment, tick=False):
            assert validate_totp_code(secret, eight[2:]) is fits, moment


@pytest.mark.parametrize("role", [Role.PHARMACIST, Role.CLINICIAN])
def test_no_page_opens_before_the_second_step(request: Any, study: Any, role: Role) -> None:
    browser = signed_in(request.getfixturevalue(role.value))
    for page in (
        set_up(study),
        reverse("home", kwargs={"study": study.slug}),
        reverse("home_site"),
    ):
        for answer in (browser.get(page), browser.post(page)):
            assert answer["Location"] == reverse("my_sign_in")
    page = browser.get(reverse("my_sign_in")).content.decode()
    assert "Your role needs a second step" in page
    enrol(browser)
    assert browser.get(set_up(study)).status_code == 200
    assert browser.post(reverse("sign_out")).status_code == 302


def test_other_roles_go_without_until_the_study_says_so(study: Any, experimenter: Any) -> None:
    browser = signed_in(experimenter)
    assert browser.get(set_up(study)).status_code == 200
    study.second_step_roles = ["experimenter"]
    study.save()
    assert browser.get(set_up(study))["Location"] == reverse("my_sign_in")
    enrol(browser)
    assert browser.get(set_up(study)).status_code == 200


def test_an_account_administrator_needs_one_without_any_role(db: Any) -> None:
    admin = make_user("Ada Min", is_account_admin=True)
    assert signed_in(admin).get(reverse("home_site"))["Location"] == reverse("my_sign_in")


def test_password_then_code(clinician: Any, study: Any) -> None:
    secret = enrol(signed_in(clinician))
    browser = Client()
    asked = password_first(browser, clinician, next=set_up(study))
    assert asked["Location"] == STEP
    assert "_auth_user_id" not in browser.session
    assert browser.get(set_up(study))["Location"].startswith(
        "/sign-in/?next="
    )  # nothing opens half-way
    inside = browser.post(STEP, {"code": code_of(secret)})
    assert inside["Location"] == set_up(study)
    assert browser.get(set_up(study)).status_code == 200
    row = SignIn.objects.filter(user=clinician).latest("pk")
    assert (row.how, row.ended_at) == (SignIn.How.CODE, None)
    assert Event.objects.filter(action=Action.SIGNED_IN).latest("pk").data["how"] == "code"


@pytest.mark.shows("V-7.2.4")
def test_a_new_sign_in_has_a_new_session_key(clinician: Any) -> None:
    secret = enrol(signed_in(clinician))
    browser = Client()
    password_first(browser, clinician)
    half = browser.session.session_key
    browser.post(STEP, {"code": code_of(secret)})
    assert browser.session.session_key not in (half, None)


def test_a_code_counts_once_everywhere(clinician: Any) -> None:
    secret = enrol(signed_in(clinician))
    code = code_of(secret)
    for turn, status in enumerate((302, 422)):
        browser = Client()
        password_first(browser, clinician)
        answer = browser.post(STEP, {"code": code})
        assert answer.status_code == status, turn
    assert "A one-time code counts once" in answer.content.decode()
    assert "_auth_user_id" not in browser.session


def test_the_code_of_the_enrolment_is_used_up(clinician: Any) -> None:
    secret = enrol(signed_in(clinician))
    browser = Client()
    password_first(browser, clinician)
    assert browser.post(STEP, {"code": code_of(secret, time.time() - 30)}).status_code == 422


def test_ten_wrong_codes_close_the_address(clinician: Any) -> None:
    secret = enrol(signed_in(clinician))
    browser = Client()
    password_first(browser, clinician)
    for _ in range(10):
        assert browser.post(STEP, {"code": "000000x"}).status_code == 422
    assert browser.post(STEP, {"code": code_of(secret)})["Location"] == reverse("sign_in")
    page = browser.get(reverse("sign_in")).content.decode()
    assert "Too many wrong passwords or codes" in page
    assert password_first(browser, clinician).status_code == 429


@pytest.mark.parametrize("sent", [{}, {"code": ""}, {"credential": "x"}, {"credential": "[1]"}, {"credential": '{"response": 5}'}, {"credential": '{"id":"a","rawId":"a","type":"public-key","response":{"clientDataJSON":"a","authenticatorData":"a","signature":"a"}}'}])  # fmt: skip
def test_nonsense_as_a_second_step_is_refused(clinician: Any, sent: dict[str, str]) -> None:
    enrol(signed_in(clinician))
    browser = Client()
    password_first(browser, clinician)
    answer = browser.post(STEP, sent)
    assert answer.status_code == 422
    assert "error-summary" in answer.content.decode()
    fresh = Client()
    assert fresh.post(reverse("passkey_sign_in"), sent)["Location"] == reverse("sign_in")
    assert "not accepted" in fresh.get(reverse("sign_in")).content.decode()
    assert "_auth_user_id" not in browser.session


def test_the_second_step_is_no_page_of_its_own(client: Client, db: Any) -> None:
    assert client.get(STEP)["Location"] == reverse("sign_in")
    assert client.post(STEP, {"code": "123456"})["Location"] == reverse("sign_in")


def test_recovery_codes_are_shown_until_kept_and_count_once(clinician: Any) -> None:
    browser = signed_in(clinician)
    enrol(browser)
    codes = recovery_codes_of(browser)
    assert len(set(codes)) == 10
    file = browser.get(reverse("recovery_codes") + "?as=text")
    assert all(code in file.content.decode() for code in codes)
    assert browser.post(reverse("recovery_kept")).status_code == 302
    assert recovery_codes_of(browser) == []
    assert codes[0] not in browser.get(reverse("recovery_codes") + "?as=text").content.decode()
    stored = str(list(Authenticator.objects.values()))
    assert not any(code.replace(" ", "") in stored for code in codes)
    for status in (302, 422):
        lost = Client()
        password_first(lost, clinician)
        assert lost.post(STEP, {"code": codes[0]}).status_code == status
    assert SignIn.objects.filter(user=clinician, how=SignIn.How.RECOVERY).count() == 1
    assert "9 of 10" in browser.get(reverse("my_sign_in")).content.decode()


def test_new_recovery_codes_end_the_old_ones(clinician: Any) -> None:
    browser = signed_in(clinician)
    enrol(browser)
    old = recovery_codes_of(browser)
    assert browser.post(reverse("recovery_renew"), {"password": "wrong"}).status_code == 422
    assert browser.post(reverse("recovery_renew"), {"password": PASSWORD}).status_code == 302
    assert not set(old) & set(recovery_codes_of(browser))
    lost = Client()
    password_first(lost, clinician)
    assert lost.post(STEP, {"code": old[0]}).status_code == 422


def test_secrets_are_sealed_and_never_on_the_trail(clinician: Any, settings: Any) -> None:
    secret = enrol(signed_in(clinician))
    assert secret not in str(list(Authenticator.objects.values()))
    assert secret not in str(list(Event.objects.values()))
    # Under another key nothing fits, and nothing breaks.
    settings.SECRET_KEY = "another-" * 10
    browser = Client()
    password_first(browser, clinician)
    assert browser.post(STEP, {"code": code_of(secret)}).status_code == 422
