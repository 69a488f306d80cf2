"""Passwords: what a new one must be, and giving the present one again before something delicate."""

from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor
from studylab.errors import Refused
from studylab.people.models import User
from studylab.people.selectors import blocked_words
from studylab.people.services.sign_in import note_refusal


@sensitive_variables()
def password_set(*, user: User, new: str, field: str = "new_password1") -> None:
    """Give a user who is locked for a write a new password, or refuse it at `field`. The caller saves and audits.

    Saved are `password`, `short_password` and `must_change_password`.
    """
    try:
        validate_password(new, user)
    except ValidationError as refusal:
        raise Refused(" ".join(refusal.messages), field=field) from None
    user.set_password(new)
    user.must_change_password = False


@sensitive_variables()
def password_again(*, user: User, password: str, actor: Actor, field: str = "password") -> None:
    """Refuse unless this is the present password; outside any transaction, so that a wrong one stays on the trail."""
    assert actor.user_id == user.pk, "nobody gives another person's password"
    if words := blocked_words(user.email):
        raise Refused(words, field=field)
    if not user.check_password(password):
        note_refusal(user.email)
        raise Refused("This is not your password. Enter it again.", field=field)
