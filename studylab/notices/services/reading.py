"""What somebody was shown and what they read; what they want by e-mail."""

from collections.abc import Sequence

from studylab import clock
from studylab.access import Actor, Cap, require
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import service
from studylab.notices.models import Seen, Standing, Wish
from studylab.studies.models import Study


@service
def notices_shown(*, study: Study, things: Sequence[tuple[str, str]], actor: Actor) -> None:
    """Keep when each thing (key, state) first stood on the actor's list. Shown again, the first time stays."""
    require(actor, Cap.HOME_VIEW)
    assert actor.user_id is not None, "only accounts have notices"
    now = clock.now()
    Seen.objects.bulk_create(
        [Seen(study=study, user_id=actor.user_id, key=key, state=state, shown_at=now) for key, state in things],
        ignore_conflicts=True,
    )  # fmt: skip


@service
def notices_read(*, study: Study, things: Sequence[tuple[str, str]], actor: Actor) -> int:
    """Note that the actor has read things (key, state); return how many for the first time. Red ones go on the trail."""
    assert actor.user_id is not None, "only accounts have notices"
    notices_shown(study=study, things=things, actor=actor)
    now, fresh = clock.now(), 0
    for key, state in sorted(set(things)):
        unread = Seen.objects.filter(
            study=study, user_id=actor.user_id, key=key, state=state, read_at=None
        )
        if not unread.update(read_at=now):
            continue
        fresh += 1
        roles = [role.value for role in actor.roles]
        row = Standing.objects.filter(study=study, key=key, state=state, gone_at=None, shape="stop")
        if mine := row.order_by("id").first():
            audit(
                actor=actor, action=Action.NOTICE_READ, subject_type="notice", subject_code=key,
                study_id=study.pk, data={"what": mine.title, "roles": sorted(roles)},
            )  # fmt: skip
    return fresh


@service
def wish_set(*, study: Study, digest: bool, hour: int, actor: Actor) -> Wish:
    """Keep whether and at which local hour (0 to 23) the actor wants a digest of the day."""
    require(actor, Cap.HOME_VIEW)
    assert actor.user_id is not None, "only accounts have notices"
    wish, _made = Wish.objects.update_or_create(
        study=study, user_id=actor.user_id, defaults={"digest": digest, "hour": hour}
    )
    audit(
        actor=actor, action=Action.NOTICE_WISH_SET, subject_type="notice", subject_code="digest",
        study_id=study.pk, data={"digest": digest, "hour": hour},
    )  # fmt: skip
    return wish
