"""Who has or had access to a study, by which role, since when, given by whom; and when it was last reviewed."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

from django.db.models import Max

from studylab.access import ROLE_NAMES, Role
from studylab.people.models import AccessReview, Invitation, Membership, SignIn, User
from studylab.people.rules.access_review import REVIEW_MONTHS, months_later, opens_in_words
from studylab.people.selectors.people import memberships_of_study, today_in
from studylab.people.selectors.second_steps import second_steps_in_words
from studylab.spreadsheets import csv_line

if TYPE_CHECKING:
    from studylab.studies.models import Study

TABLETS_WITHIN = timedelta(days=90)
COLUMNS = (
    "name", "e-mail", "account", "role", "from", "until", "on this day", "given by", "given at", "how",
    "last sign-in", "second step", "tablets used within 90 days", "what the roles of this day open",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class RoleSeen:
    """One role of somebody, as of a day."""

    role: str
    starts_on: date
    ends_on: date | None
    stopped_at: datetime | None
    held: bool
    given_by: str
    given_at: datetime
    how: str


@dataclass(frozen=True, slots=True)
class PersonSeen:
    """Everything about one person's access to a study, as of a day. Second step and account are those of now."""

    pk: int
    name: str
    email: str
    active: bool
    roles: tuple[RoleSeen, ...]
    opens: str
    last_sign_in: datetime | None
    second_step: str
    tablets: tuple[str, ...]

    @property
    def has_access(self) -> bool:
        """Whether a role opened the study on the day."""
        return any(role.held for role in self.roles)


def held_on_day(row: Membership, on: date, study: "Study") -> bool:
    """Whether a role gave access at any time of a day that is over, or gives it now when the day is today or later."""
    if row.starts_on > on or (row.ends_on is not None and row.ends_on < on):
        return False
    if row.stopped_at is None:
        return True
    return on < today_in(study.timezone) and row.stopped_at.astimezone(study.zone).date() >= on


def people_seen(study: "Study", on: date) -> list[PersonSeen]:
    """Return everybody who ever held a role in a study, those with access on the day first. Five queries."""
    rows = list(memberships_of_study(study))
    users = {row.user_id: row.user for row in rows}
    until = datetime.combine(on + timedelta(days=1), time(), tzinfo=study.zone)
    accepted = _accepted(study)
    signed_in = SignIn.objects.filter(user__in=users, began_at__lt=until)
    last = dict(signed_in.values_list("user").annotate(at=Max("began_at")))
    tablets = _tablets(users, until)
    steps = second_steps_in_words(list(users.values()))
    by_user: dict[int, list[Membership]] = defaultdict(list)
    for row in rows:
        by_user[row.user_id].append(row)
    seen = [
        PersonSeen(
            pk=pk, name=users[pk].name, email=users[pk].email, active=users[pk].is_active,
            roles=tuple(_role(row, on, study, accepted) for row in held),
            opens=_opens(held, on, study), last_sign_in=last.get(pk), second_step=steps[pk],
            tablets=tuple(tablets.get(pk, ())),
        )
        for pk, held in by_user.items()
    ]  # fmt: skip
    return sorted(seen, key=lambda one: (not one.has_access, one.name.casefold(), one.pk))


def review_content(people: Iterable[PersonSeen], on: date) -> dict[str, Any]:
    """Return what a review signs: who has access on the day, as what, and in what state the account is."""
    return {
        "as_at": on.isoformat(),
        "people": [
            {
                "person": one.name, "number": one.pk, "active": one.active, "second_step": one.second_step,
                "roles": [
                    [role.role, role.starts_on.isoformat(), role.ends_on.isoformat() if role.ends_on else None]
                    for role in one.roles if role.held
                ],
            }
            for one in people if one.has_access
        ],
    }  # fmt: skip


def reviews_of(study: "Study") -> list[AccessReview]:
    """Return every review of a study's access, the newest first."""
    return list(study.access_reviews.select_related("signature").order_by("-pk"))


def review_due_on(study: "Study") -> date:
    """Return the day from which the next review is due; the first one three months after the study was set up."""
    newest = study.access_reviews.order_by("-pk").values_list("next_due_on", flat=True).first()
    if newest is not None:
        due: date = newest
        return due
    return months_later(study.created_at.astimezone(study.zone).date(), REVIEW_MONTHS)


def access_lines(people: Iterable[PersonSeen], study: "Study", *, addresses: bool) -> Iterator[str]:
    """Yield the table as CSV, one line for each role; no cell runs as a formula. Times are in the study's zone."""
    yield csv_line(COLUMNS)
    for one in people:
        for role in one.roles:
            yield csv_line([
                one.name, one.email if addresses else "", "open" if one.active else "switched off", role.role,
                role.starts_on, _until(role, study), "yes" if role.held else "no", role.given_by,
                _minute(role.given_at, study), role.how,
                _minute(one.last_sign_in, study) if one.last_sign_in else "never", one.second_step,
                "; ".join(one.tablets), one.opens if role.held else "",
            ])  # fmt: skip


def _until(role: RoleSeen, study: "Study") -> str:
    if role.stopped_at is not None:
        return f"ended at once {_minute(role.stopped_at, study)}"
    return role.ends_on.isoformat() if role.ends_on else "no end"


def _minute(at: datetime, study: "Study") -> str:
    return at.astimezone(study.zone).isoformat(timespec="minutes")


def _accepted(study: "Study") -> dict[tuple[int, str], Invitation]:
    """Return the accepted invitations by person and role."""
    rows = study.invitations.filter(ended_how=Invitation.Ended.ACCEPTED).order_by("pk")
    return {(row.ended_by_id, role): row for row in rows if row.ended_by_id for role in row.roles}


def _role(
    row: Membership, on: date, study: "Study", accepted: dict[tuple[int, str], Invitation]
) -> RoleSeen:
    invitation = accepted.get((row.user_id, row.role))
    how = "given directly"
    if invitation is not None and _at_once(invitation.ended_at, row.granted_at):
        how = "invited, link handed over by hand" if invitation.handed_over else "invited by e-mail"
    return RoleSeen(
        role=ROLE_NAMES[Role(row.role)], starts_on=row.starts_on, ends_on=row.ends_on,
        stopped_at=row.stopped_at, held=held_on_day(row, on, study),
        given_by=row.granted_by.name if row.granted_by else "at set-up", given_at=row.granted_at, how=how,
    )  # fmt: skip


def _at_once(accepted_at: datetime | None, granted_at: datetime) -> bool:
    """Whether a role was given by this accepting: within one transaction, not at another time."""
    return accepted_at is not None and abs(accepted_at - granted_at) < timedelta(minutes=1)


def _opens(rows: list[Membership], on: date, study: "Study") -> str:
    held = [Role(row.role) for row in rows if held_on_day(row, on, study)]
    return opens_in_words(held) if held else "nothing on this day"


def _tablets(users: dict[int, User], until: datetime) -> dict[int, list[str]]:
    rows = SignIn.objects.filter(
        user__in=users,
        device__isnull=False,
        began_at__lt=until,
        began_at__gte=until - TABLETS_WITHIN,
    )
    found: dict[int, list[str]] = defaultdict(list)
    for user, name in rows.values_list("user", "device__name").distinct().order_by("device__name"):
        found[user].append(name)
    return found
