"""Who administers accounts: making a further one, and ending it."""

from django.contrib import messages
from django.http import HttpResponse
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from studylab.access import Cap, requires
from studylab.http import StaffRequest, answer_form, posted
from studylab.people.account_forms import AdminAddForm, AdminEndForm
from studylab.people.invite_mail import invitation_mail
from studylab.people.models import User
from studylab.people.selectors.accounts import access_account
from studylab.people.services.account_admins import account_admin_add as add
from studylab.people.services.account_admins import account_admin_end as end


@requires(Cap.ACCOUNTS_MANAGE)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def account_admin_add(request: StaffRequest) -> HttpResponse:
    """Make somebody an administrator of accounts."""
    form = AdminAddForm(posted(request))
    return answer_form(
        request, form=form, template="people/accounts/admin_add.html",
        write=lambda: add(actor=request.actor, **form.cleaned_data),
        done=lambda made: _told(request, made),
        context={"cancel": reverse("accounts"), "mail_is_on": invitation_mail().is_on()},
    )  # fmt: skip


@requires(Cap.ACCOUNTS_MANAGE)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def account_admin_end(request: StaffRequest, account: int) -> HttpResponse:
    """End that somebody administers accounts, after asking."""
    user, form, back = access_account(account), AdminEndForm(posted(request)), reverse("accounts")
    return answer_form(
        request, form=form, template="parts/confirm_page.html",
        write=lambda: end(user=user, actor=request.actor, **form.cleaned_data), done=lambda _: back,
        message=f"{user.name} does not administer accounts any more.",
        context={
            "heading": f"End that {user.name} administers accounts?",
            "text": "They are signed out everywhere at once. Their account stays, without any role: switch it off as well if they leave.",
            "submit": "End it", "cancel": back,
        },
    )  # fmt: skip


def _told(request: StaffRequest, made: User) -> str:
    """Say what happens next; return where to go."""
    said = f"{made.name} administers accounts from now on."
    if not made.has_usable_password():
        said += (
            f" A link to choose a password is on its way to {made.email}."
            if invitation_mail().is_on()
            else f" Mail is off here: whoever runs the server prints a link with “python3 manage.py password_link {made.email}”."
        )
    messages.success(request, said)
    return reverse("accounts")
