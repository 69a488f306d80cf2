"""The sign-in's own signals, noted on the trail. The only signals of the house."""

from typing import Any

from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.dispatch import receiver

from studylab.people.models import User
from studylab.people.services.sign_in import note_refusal, note_sign_in, note_sign_out


@receiver(user_logged_in)
def on_sign_in(sender: Any, user: User, **kwargs: Any) -> None:
    """Somebody signed in."""
    note_sign_in(user)


@receiver(user_logged_out)
def on_sign_out(sender: Any, user: User | None, **kwargs: Any) -> None:
    """Somebody signed out; `user` is None when the sign-in had ended before."""
    if user is not None:
        note_sign_out(user)


@receiver(user_login_failed)
def on_refusal(sender: Any, credentials: dict[str, Any], **kwargs: Any) -> None:
    """A password did not fit, or nobody has that address."""
    note_refusal(str(credentials.get("username") or ""))
