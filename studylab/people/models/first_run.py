"""The one-time code and the one account with which a site begins."""

import pgtrigger
from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only, guard, never_deleted
from studylab.db import explain
from studylab.errors import Conflict
from studylab.people.models.people import User

SET_UP_ALREADY = "This site is set up already: somebody has an account. Sign in instead."


class SetUpCode(models.Model):
    """A code that whoever runs the server printed. Only its digest is kept; the newest one counts."""

    digest = models.CharField(max_length=64)
    made_at = models.DateTimeField()

    class Meta:
        triggers = append_only()

    def __str__(self) -> str:
        return f"set-up code of {self.made_at}"


class FirstAccount(models.Model):
    """The account that was made at the first run: one row at most, and only while nobody else has an account."""

    id = models.PositiveSmallIntegerField(primary_key=True, default=1)
    user = models.OneToOneField(User, on_delete=models.PROTECT, related_name="+")
    code = models.OneToOneField(SetUpCode, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(pk=1), name="first_account_once")]
        triggers = [
            *never_deleted(),
            guard(
                "first_account_alone",
                operation=pgtrigger.Insert,
                check="NOT EXISTS (SELECT 1 FROM people_user WHERE id <> NEW.user_id)",
                sentence=SET_UP_ALREADY,
            ),
        ]

    def __str__(self) -> str:
        return f"first account, {self.made_at}"


explain(
    {
        "people_firstaccount_pkey": (Conflict, SET_UP_ALREADY),
        "first_account_once": (Conflict, SET_UP_ALREADY),
    }
)
