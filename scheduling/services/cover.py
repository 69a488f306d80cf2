"""Physicians at the site: checking in and out. The rota is a plan; this is presence."""

from datetime import datetime, timedelta

from scheduling.models import CoverPresence
from scheduling.selectors.today import Watched, clinicians_of, watched_now
from scheduling.services.running import user_of
from studylab import clock
from studylab.access import Actor, Role
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Conflict, NotAllowed, Refused, RefusedWithReasons
from studylab.people.models import Membership, User
from studylab.people.selectors import holding_on, today_in
from studylab.studies.models import Study

LONGEST_STAY = timedelta(hours=16)  # proposal: longer is a slip of the date


@service
def cover_check_in(*, until: datetime, whereabouts: str = "", actor: Actor) -> CoverPresence:
    """Say that the acting physician is at the site now and until an instant; said again, it moves that instant.

    `whereabouts` is where they are found there.
    """
    user = _physician(actor)
    now = clock.now()
    if until.utcoffset() is None:
        raise Refused("The time has no zone. Reload the page and enter it again.", field="until")
    if until <= now:
        raise Refused("This is not later than now. Enter until when you stay.", field="until")
    if until - now > LONGEST_STAY:
        hours = LONGEST_STAY // timedelta(hours=1)
        raise Refused(f"At most {hours} hours ahead. Check date and time.", field="until")
    presence = _open_presence(user, now)
    if presence is None:
        presence = CoverPresence.objects.create(
            user=user, checked_in_at=now, until=until, confirmed_at=now,
            whereabouts=whereabouts.strip()[:80],
        )  # fmt: skip
    else:
        if until < presence.until:
            _check_left_covered(user, now, until, "You cannot shorten your stay")
        presence.until, presence.confirmed_at = until, now
        presence.whereabouts = whereabouts.strip()[:80] or presence.whereabouts
        presence.save(update_fields=["until", "confirmed_at", "whereabouts"])
    _note(presence, "in", actor)
    return presence


@service
def cover_confirm(*, actor: Actor) -> CoverPresence:
    """Say that the acting physician, checked in already, is still at the site."""
    user = _physician(actor)
    now = clock.now()
    presence = _open_presence(user, now)
    if presence is None:
        raise Conflict("You are not checked in. Check in first.")
    presence.confirmed_at = now
    presence.save(update_fields=["confirmed_at"])
    _note(presence, "still here", actor)
    return presence


@service
def cover_check_out(*, actor: Actor) -> CoverPresence:
    """Say that the acting physician leaves now; refused while somebody between dose and leaving needs one."""
    user = _physician(actor)
    now = clock.now()
    presence = _open_presence(user, now)
    if presence is None:
        raise Conflict("You are not checked in.")
    _check_left_covered(user, now, now, "You cannot check out")
    presence.checked_out_at = now
    presence.save(update_fields=["checked_out_at"])
    _note(presence, "out", actor)
    return presence


def _physician(actor: Actor) -> User:
    if Role.CLINICIAN not in actor.roles:
        raise NotAllowed("Only a clinician of the study is cover.")
    user: User = lock(User, pk=user_of(actor))  # one check-in of one person at a time
    return user


def _open_presence(user: User, now: datetime) -> CoverPresence | None:
    """Return the stay that lasts now, locked: giving a dose locks it too."""
    return (
        CoverPresence.objects.select_for_update()
        .filter(user=user, checked_out_at=None, until__gt=now)
        .order_by("-id")
        .first()
    )


def _check_left_covered(user: User, now: datetime, until: datetime, refusal: str) -> None:
    """Refuse when somebody who was dosed would be without a physician at the site from `until` on."""
    reasons = []
    for study in _studies_of(user):
        others = CoverPresence.objects.filter(
            user__in=clinicians_of(study, now), checked_in_at__lte=now, checked_out_at=None
        ).exclude(user=user)
        longest = max((other.until for other in others), default=now)
        reasons += [
            _sentence(watched, study)
            for watched in watched_now(study)
            if max(watched.until, now + timedelta(minutes=1)) > max(until, longest)
        ]
    if reasons:
        replacements = _others(user, now)
        raise RefusedWithReasons(
            f"{refusal}: another physician of the study checks in first. {replacements}",
            reasons,
            code="cover_needed",
        )


def _others(user: User, now: datetime) -> str:
    """Say who could take over: the other clinicians of the studies in which somebody is under watch."""
    ids = {one for study in _studies_of(user) for one in clinicians_of(study, now)} - {user.pk}
    names = list(User.objects.filter(pk__in=ids).order_by("name").values_list("name", flat=True))
    if not names:
        return "No other physician has a role in this study: ask the study lead to give one."
    return f"Ask {' or '.join(names)}."


def _sentence(watched: Watched, study: Study) -> str:
    return f"{watched.visit.participant.code} ({study.short_title}) was dosed and has not left yet."


def _studies_of(user: User) -> list[Study]:
    """Return the studies in which the person is a clinician today, each by its own day."""
    mine = Membership.objects.filter(user=user, role=Role.CLINICIAN).select_related("study")
    studies = {membership.study for membership in mine}
    return [
        study
        for study in sorted(studies, key=lambda one: one.pk)
        if mine.filter(holding_on(today_in(study.timezone)), study=study).exists()
    ]


def _note(presence: CoverPresence, which: str, actor: Actor) -> None:
    audit(
        actor=actor,
        action=Action.COVER_RECORDED,
        subject_type="cover",
        subject_code=presence.pk,
        data={"checked": which, "until": presence.until.isoformat()},
    )
