"""Reading accounts for whoever administers them: names, addresses, in which studies; nothing of a study beyond its name."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from django.apps import apps
from django.conf import settings
from django.contrib.auth.tokens import PasswordResetTokenGenerator
from django.http import Http404
from django.urls import reverse
from django.utils.http import base36_to_int

from studylab import clock
from studylab.people.models import Membership, SignIn, User
from studylab.people.selectors.invitations import has_lead
from studylab.people.selectors.people import today_in
from studylab.people.selectors.second_steps import ALONE, second_steps_in_words
from studylab.people.selectors.signing import locked_until

if TYPE_CHECKING:
    from studylab.studies.models import Study

PASSWORD_LINK_HOURS = 24


@dataclass(frozen=True, slots=True)
class AccountSeen:
    """One account: `studies` are the short names of studies in which the person holds a role now or later."""

    user: User
    studies: tuple[str, ...]
    signed_in: bool
    second_step: str
    locked_until: datetime | None = None  # nothing is signed until then

    @property
    def has_second_step(self) -> bool:
        """Whether there is one that can be lost."""
        return self.second_step != ALONE


class _Tokens(PasswordResetTokenGenerator):
    """Secrets that hold until the password, the address or the last sign-in changes, and for a day at most.

    Nothing of them is stored: Django works them out from the site's key and the account.
    """

    key_salt = "studylab.people.password_link"

    def _now(self) -> datetime:
        return clock.now().replace(tzinfo=None)

    def made_at(self, token: str) -> datetime:
        """Return when a token was made, in UTC."""
        seconds = base36_to_int(token.partition("-")[0])
        return datetime(2001, 1, 1, tzinfo=clock.now().tzinfo) + timedelta(seconds=seconds)


_tokens = _Tokens()


def password_link_address(user: User) -> str:
    """Return the address behind which somebody chooses a new password; the secret stands behind the "#"."""
    secret = f"{user.pk}-{_tokens.make_token(user)}"
    return f"{settings.SITE_ADDRESS}{reverse('password_new')}#{secret}"


def user_of_password_link(text: str) -> User | None:
    """Return whose link this is while it opens; None for a wrong, used or old one."""
    number, _, token = text.partition("-")
    if not (number.isascii() and number.isdigit() and len(number) < 10 and token):
        return None
    user = User.objects.filter(pk=int(number), is_active=True).first()
    if user is None or not _tokens.check_token(user, token):
        return None
    late = clock.now() - _tokens.made_at(token) > timedelta(hours=PASSWORD_LINK_HOURS)
    return None if late else user


def accounts_seen() -> list[AccountSeen]:
    """Return every account, by name. A constant number of queries."""
    users = list(User.objects.order_by("name", "pk"))
    rows = Membership.objects.filter(stopped_at=None).select_related("study")
    studies: dict[int, dict[str, None]] = defaultdict(dict)
    for row in rows.order_by("study__short_title"):
        if row.ends_on is None or row.ends_on >= today_in(row.study.timezone):
            studies[row.user_id][row.study.short_title] = None
    live = set(SignIn.objects.filter(ended_at=None).values_list("user", flat=True))
    steps, locked = second_steps_in_words(users), locked_until(users)
    return [
        AccountSeen(
            user, tuple(studies[user.pk]), user.pk in live, steps[user.pk], locked.get(user.pk)
        )
        for user in users
    ]


def only_one_administers(rows: Sequence[AccountSeen]) -> bool:
    """Whether nobody could take away the lost second step of the one administrator of accounts who can sign in."""
    return sum(row.user.is_account_admin and row.user.is_active for row in rows) == 1


def access_account(pk: int) -> User:
    """Return an account, else 404."""
    user = User.objects.filter(pk=pk).first()
    if user is None:
        raise Http404("There is no such account.")
    return user


def studies_without_lead() -> "list[Study]":
    """Return the studies that nobody leads today, with the invitations to lead them that are under way."""
    rows = apps.get_model("studies", "Study").objects.exclude(state="closed")
    return [
        row for row in rows.order_by("short_title") if not has_lead(row, today_in(row.timezone))
    ]


def study_without_lead(slug: str) -> "Study":
    """Return a study that nobody leads today, else 404: to an administrator of accounts no other study is there."""
    for row in studies_without_lead():
        if row.slug == slug:
            return row
    raise Http404("There is no such study without a lead.")
