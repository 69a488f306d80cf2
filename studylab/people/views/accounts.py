"""Accounts of the site, for whoever administers them; and choosing a new password behind a link."""

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_safe

from studylab.access import Cap, requires, system_actor
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.account_forms import AccountReasonForm, LeadInvitationForm, NewPasswordForm
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import User
from studylab.people.selectors import today_in
from studylab.people.selectors.accounts import (
    access_account,
    accounts_seen,
    only_one_administers,
    studies_without_lead,
    study_without_lead,
)
from studylab.people.services.account_care import (
    account_close,
    account_open,
    password_by_link,
    password_link_send,
)
from studylab.people.services.invitations import invitation_make
from studylab.people.views.invitations import invitation_sent

_Act = Callable[..., object]


@requires(Cap.ACCOUNTS_MANAGE)
@require_safe
def accounts(request: StaffRequest) -> HttpResponse:
    """List every account, and the studies that nobody leads."""
    rows = accounts_seen()
    context = {
        "rows": rows, "only_one": only_one_administers(rows), "without_lead": studies_without_lead(),
        "mail_is_on": invitation_mail().is_on(),
    }  # fmt: skip
    return render(request, "people/accounts/accounts.html", context)


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def account_off(request: StaffRequest, account: int) -> HttpResponse:
    """Switch an account off, after asking."""
    user = access_account(account)
    return _ask(
        request, user, account_close, f"Switch off the account of {user.name}?",
        "They are signed out everywhere at once and cannot sign in again. What they recorded and signed stays; their roles "
        "end only when the lead of each study ends them.",
        "Switch the account off", f"The account of {user.name} is switched off.",
    )  # fmt: skip


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def account_on(request: StaffRequest, account: int) -> HttpResponse:
    """Switch an account on again, after asking."""
    user = access_account(account)
    return _ask(
        request, user, account_open, f"Switch on the account of {user.name} again?",
        "They can sign in with the password they had. Roles that ended stay ended.",
        "Switch the account on", f"The account of {user.name} is switched on.",
    )  # fmt: skip


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def account_password(request: StaffRequest, account: int) -> HttpResponse:
    """Send somebody a link for a new password, after asking."""
    user = access_account(account)
    return _ask(
        request, user, password_link_send, f"Send {user.name} a link for a new password?",
        f"It goes to {user.email}, opens once and for a day. Speak to the person first, on a way you know to be theirs: whoever "
        "reads that mailbox can choose the password. A second step stays as it is.",
        "Send the link", f"A link for a new password is on its way to {user.email}.",
    )  # fmt: skip


@requires(Cap.ACCOUNTS_MANAGE)
@require_http_methods(["GET", "POST"])
def lead_invite(request: StaffRequest, of: str) -> HttpResponse:
    """Invite a lead to a study that has none."""
    study = study_without_lead(of)
    form = LeadInvitationForm(posted(request), today=today_in(study.timezone))
    back = reverse("accounts")
    return answer_form(
        request, form=form, template="people/accounts/lead.html",
        write=lambda: invitation_make(study=study, actor=request.actor, **form.cleaned_data),
        done=lambda made: invitation_sent(request, made, back),
        context={"of": study, "cancel": back, "mail_is_on": invitation_mail().is_on()},
    )  # fmt: skip


@requires(Cap.ANYONE)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def password_new(request: HttpRequest) -> HttpResponse:
    """Choose a new password behind a link that was sent."""
    form = NewPasswordForm(posted(request))

    def done(user: User) -> str:
        messages.success(request, f"Your new password counts from now on, {user.name}.")
        return reverse("sign_in")

    answer = answer_form(
        request, form=form, template="people/accounts/password_new.html", done=done,
        write=lambda: password_by_link(
            token=form.cleaned_data["token"], password=form.cleaned_data["password1"],
            actor=system_actor("link for a new password"),
        ),
    )  # fmt: skip
    answer.headers["Cache-Control"] = "no-store"
    return answer


def _ask(
    request: StaffRequest, user: User, act: _Act, heading: str, text: str, submit: str, done: str
) -> HttpResponse:
    form, back = AccountReasonForm(posted(request)), reverse("accounts")
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: act(user=user, reason=form.cleaned_data["reason"], actor=request.actor),
        done=lambda _: back, message=done,
        context={"heading": heading, "text": text, "submit": submit, "cancel": back},
    )  # fmt: skip
