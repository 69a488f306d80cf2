"""Second steps in later life: adding further ones, removing, changing user, and taking all away."""

import time
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from django.test import Client
from django.urls import reverse

from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.models import Event
from studylab.errors import NotAllowed, Refused
from studylab.people.models import SignIn
from studylab.people.services.second_step import second_steps_reset
from tests.cast import PASSWORD, join, make_user
from tests.people.authenticators import code_of, enrol, password_first
from tests.people.tablets import enrol as enrol_tablet
from tests.people.tablets import sign_in, take_over

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


class TestRemoving:
    def url(self, user: Any) -> str:
        row = Authenticator.objects.get(user=user, type="totp")
        return reverse("factor_remove", args=[row.pk])

    def test_the_last_one_stays_where_the_role_needs_it(self, clinician: Any) -> None:
        browser = signed_in(clinician)
        enrol(browser)
        answer = browser.post(self.url(clinician), {"password": PASSWORD})
        assert answer.status_code == 422
        assert "Add another one before" in answer.content.decode()

    def test_elsewhere_it_goes_and_ends_the_other_sign_ins(self, lead: Any) -> None:
        browser = signed_in(lead)
        secret = enrol(browser)
        other = Client()
        password_first(other, lead)
        other.post(STEP, {"code": code_of(secret)})
        assert browser.post(self.url(lead), {"password": "wrong"}).status_code == 422
        assert browser.post(self.url(lead), {"password": PASSWORD}).status_code == 302
        assert not Authenticator.objects.filter(user=lead).exists()
        assert other.get(reverse("home_site"))["Location"].startswith("/sign-in/")
        assert browser.get(reverse("my_sign_in")).status_code == 200
        assert (
            Event.objects.filter(action=Action.SECOND_STEP_REMOVED, actor_id=lead.pk).count() == 1
        )

    def test_nobody_removes_anothers(self, lead: Any, clinician: Any) -> None:
        enrol(signed_in(clinician))
        answer = signed_in(lead).post(self.url(clinician), {"password": PASSWORD})
        assert answer.status_code == 404


def test_adding_one_signs_out_elsewhere_and_is_noted(lead: Any) -> None:
    elsewhere, here = signed_in(lead), signed_in(lead)
    enrol(here)
    assert elsewhere.get(reverse("home_site"))["Location"].startswith("/sign-in/")
    assert here.get(reverse("my_sign_in")).status_code == 200
    event = Event.objects.get(action=Action.SECOND_STEP_ADDED)
    assert (event.actor_id, event.data["step"]) == (lead.pk, "one-time codes")


def test_a_wrong_password_adds_nothing_and_counts(lead: Any) -> None:
    browser = signed_in(lead)
    secret = browser.get(reverse("totp_add")).context["secret"].replace(" ", "")
    sent = {"code": code_of(secret), "password": "not mine at all"}
    answer = browser.post(reverse("totp_add"), sent)
    assert answer.status_code == 422
    assert secret in answer.content.decode().replace(" ", "")  # the same drawing still
    assert not Authenticator.objects.exists()
    assert Event.objects.filter(action=Action.SIGN_IN_REFUSED, actor_id=lead.pk).count() == 1


def test_changing_user_on_a_tablet_asks_for_the_code_too(
    study: Any, lead: Any, clinician: Any, experimenter: Any
) -> None:
    secret = enrol(signed_in(clinician))
    _device, tablet = enrol_tablet(study, lead)
    assert sign_in(tablet, clinician)["Location"] == STEP
    tablet.post(STEP, {"code": code_of(secret)})
    assert sign_in(Client(), experimenter).status_code == 302
    take = take_over(tablet, clinician)
    assert take["Location"] == STEP
    assert "_auth_user_id" not in tablet.session
    assert tablet.post(STEP, {"code": code_of(secret, time.time() + 30)}).status_code == 302
    assert tablet.session["_auth_user_id"] == str(clinician.pk)
    assert SignIn.objects.filter(user=clinician).latest("pk").device is not None


class TestTakingAllAway:
    def test_by_an_account_administrator_with_reason_and_identity(self, clinician: Any) -> None:
        browser = signed_in(clinician)
        enrol(browser)
        admin = make_user("Ada Min", is_account_admin=True)
        actor = Actor(user_id=admin.pk, label=admin.name, accounts=True)
        for reason, checked, field in (("", "in person", "reason"), ("phone lost", " ", "checked")):
            with pytest.raises(Refused) as refusal:
                second_steps_reset(user=clinician, reason=reason, checked=checked, actor=actor)
            assert refusal.value.field == field
        second_steps_reset(user=clinician, reason="phone lost", checked="in person", actor=actor)
        assert not Authenticator.objects.filter(user=clinician).exists()
        assert browser.get(reverse("home_site"))["Location"].startswith("/sign-in/")
        assert signed_in(clinician).get(reverse("home_site"))["Location"] == reverse("my_sign_in")
        event = Event.objects.get(action=Action.SECOND_STEPS_RESET)
        assert (event.reason, event.data["identity"]) == ("phone lost", "in person")

    def test_on_its_page(self, clinician: Any, lead: Any) -> None:
        enrol(signed_in(clinician))
        admin = make_user("Ada Min", is_account_admin=True)
        page, browser = reverse("second_step_reset"), signed_in(admin)
        assert signed_in(lead).get(page).status_code == 403
        assert browser.get(page)["Location"] == reverse("my_sign_in")
        enrol(browser)
        sent = {"email": clinician.email, "reason": "phone lost", "checked": "in person"}
        wrong = browser.post(page, {**sent, "password": "not mine at all"})
        assert wrong.status_code == 422
        assert "phone lost" in wrong.content.decode()
        nobody = {**sent, "email": "no@lab.example", "password": PASSWORD}
        assert browser.post(page, nobody).status_code == 422
        assert browser.post(page, {**sent, "password": PASSWORD}).status_code == 302
        assert not Authenticator.objects.filter(user=clinician).exists()

    def test_by_nobody_else(self, clinician: Any, lead: Any, study: Any) -> None:
        enrol(signed_in(clinician))
        for by in (lead, clinician):
            with pytest.raises((NotAllowed, Refused)):
                second_steps_reset(
                    user=clinician, reason="x", checked="y",
                    actor=Actor(user_id=by.pk, label=by.name, study_id=study.pk),
                )  # fmt: skip


def test_a_short_password_is_good_only_with_the_second_step(
    clinician: Any, lead: Any, study: Any
) -> None:
    new = "sea otter"
    for user, status in ((lead, 422), (clinician, 302)):
        browser = signed_in(user)
        sent = {"old_password": PASSWORD, "new_password1": new, "new_password2": new}
        assert browser.post(reverse("password_change"), sent).status_code == status
    clinician.refresh_from_db()
    assert clinician.short_password
    other = make_user("Otto Bram")
    other.set_password(new)
    other.save()
    join(other, study, Role.MONITOR)
    browser = Client()
    password_first(browser, other, new)
    assert browser.get(set_up(study))["Location"] == reverse("my_sign_in")
