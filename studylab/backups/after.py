"""What a restored site must know before anybody uses it, written in the transaction that restores it.

What happened after the backup is not on the record: messages went out, doses were given, numbers were issued. So every
sign-in ends, messages wait, dosing pauses, no number is issued, and each study is told what to enter again.
"""

from django.db import connection

from studylab import clock
from studylab.access import system_actor
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.backups.making import Backup
from studylab.backups.models import BackupRun, MadeGood, Restoration
from studylab.backups.rules.gap import pause_text
from studylab.outbox.services.gaps import settle_restored
from studylab.participants.models import DosingPause
from studylab.participants.models.pause import AFTER_RESTORE
from studylab.people.models import SignIn
from studylab.studies.models import Study

_NOT_MADE = "The site was restored from a backup while this one was being made."
# Events that were not sealed yet bear transaction numbers of another server, which this one may reach in years.
_OWN_NUMBER = """
    UPDATE audit_event SET transaction_id = pg_current_xact_id()::text::bigint
    WHERE NOT EXISTS (SELECT FROM audit_link l WHERE l.event_id = audit_event.id)"""


def settle_after(backup: Backup) -> Restoration:
    """Write that and from when the site was restored, and hold what must not go on by itself."""
    now, actor = clock.now(), system_actor("restoration")
    _renumber_unsealed()
    restoration = Restoration.objects.create(
        snapshot_at=backup.snapshot_at, restored_at=now, file=backup.path.name[:200], program=backup.head.program
    )  # fmt: skip
    SignIn.objects.filter(ended_at=None).update(ended_at=now, ended_how=SignIn.Ended.ELSEWHERE)
    runs = BackupRun.objects.filter(state__in=["waiting", "running"])
    runs.update(state=BackupRun.State.STOPPED, ended_at=now, stage="", trouble=_NOT_MADE)
    settle_restored()
    for study in Study.objects.exclude(state=Study.State.CLOSED).order_by("pk"):
        _hold(study, restoration)
        audit(
            actor=actor, action=Action.SITE_RESTORED, subject_type="study", subject_code=study.slug,
            study_id=study.pk, data={"from": backup.head.snapshot_at, "file": restoration.file},
        )  # fmt: skip
    return restoration


def _hold(study: Study, restoration: Restoration) -> None:
    MadeGood.objects.create(restoration=restoration, study=study)
    text = pause_text(restoration.snapshot_at, restoration.restored_at, study.zone)
    standing = DosingPause.objects.filter(study=study, rule=AFTER_RESTORE, lifted_at=None)
    # Who has signed while the pause of an earlier restoration stands signs again, knowing of this one.
    unsigned = {"physician": None, "physician_reason": "", "lead": None, "lead_reason": ""}
    if standing.update(text=text, **unsigned):
        return
    DosingPause.objects.create(
        study=study, kind=DosingPause.Kind.RULE, rule=AFTER_RESTORE, text=text, opened_at=restoration.restored_at
    )  # fmt: skip


def _renumber_unsealed() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ALTER TABLE audit_event DISABLE TRIGGER USER")
        cursor.execute(_OWN_NUMBER)
        cursor.execute("ALTER TABLE audit_event ENABLE TRIGGER USER")
