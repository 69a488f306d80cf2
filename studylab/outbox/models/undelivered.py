"""Mails that came back, as the report said it; never the mail itself, nor the words of the report."""

from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Conflict, Refused
from studylab.people.models import User

REFUSED = "refused"


class Undelivered(models.Model):
    """One outcome of one message, once: `action` and `status` by RFC 3464 and RFC 3463.

    "refused" is no word of theirs: the mail server did not take the mail because of its address, at one attempt. Then the
    message itself waits for somebody, and only the mark on the address stands here.

    `bad_address` says that the address itself is at fault: it counts until contact details change, or until somebody
    settles it.
    """

    message = models.ForeignKey(
        "outbox.Message", on_delete=models.PROTECT, related_name="undelivered"
    )
    action = models.CharField(max_length=10)
    status = models.CharField(max_length=11)
    failed = models.BooleanField()
    bad_address = models.BooleanField()
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["message", "action", "status"],
                condition=~Q(action="refused"),
                name="undelivered_once",
            ),
            models.CheckConstraint(
                condition=Q(failed=True) | Q(bad_address=False), name="undelivered_bad_failed"
            ),
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.action} {self.status}"


class Settled(models.Model):
    """What somebody did about a mail that came back: with it the work item and the mark on the address end."""

    class How(models.TextChoices):
        REACHED = "reached", "I reached the volunteer another way"
        ADDRESS_RIGHT = "address_right", "The address is right: checked with the volunteer"
        NOT_NEEDED = "not_needed", "The message is not needed any more"

    undelivered = models.ForeignKey(Undelivered, on_delete=models.PROTECT, related_name="settlings")
    how = models.CharField(max_length=15, choices=How.choices)
    at = models.DateTimeField()
    by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(how__in=["reached", "address_right", "not_needed"]),
                name="undelivered_says_how",
            )
        ]
        triggers = append_only()

    def __str__(self) -> str:
        return self.get_how_display()


explain(
    {
        "undelivered_once": (Conflict, "This report is recorded already."),
        "undelivered_says_how": (Refused, "Say what you did."),
    }
)
