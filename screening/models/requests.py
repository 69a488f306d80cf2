"""What was brought in answer to a physician who asked for more."""

import uuid

from django.db import models
from django.db.models import Q

from screening.models.decision import SignOff
from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User


class RequestAnswer(models.Model):
    """The answer to one thing asked for: `index` counts the requests of the sign-off from 0."""

    uid = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    sign_off = models.ForeignKey(SignOff, on_delete=models.PROTECT, related_name="request_answers")
    index = models.PositiveSmallIntegerField()
    note = models.TextField()
    answered_at = models.DateTimeField()
    answered_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["sign_off", "index"], name="request_answered_once"),
            models.CheckConstraint(condition=~Q(note=""), name="request_answer_says_what"),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"answer to request {self.index + 1}"


explain(
    {
        "request_answered_once": (Conflict, "Somebody answered this already. Reload the page."),
        "request_answer_says_what": (Refused, "Say what was brought."),
    }
)
