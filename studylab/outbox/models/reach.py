"""How a volunteer wants to be reached."""

from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Refused
from studylab.participants.models import Participant
from studylab.people.models import User


class Reach(models.Model):
    """What a volunteer said about messages; the newest row counts. Without one: e-mail, the study's zone.

    Short messages need their agreement (`short_agreed`), since they cost attention and pass through another company.
    `zone` is "" for the study's zone; quiet hours are counted there.
    """

    class Channel(models.TextChoices):
        MAIL = "mail", "e-mail"
        SHORT = "short", "short message"

    participant = models.ForeignKey(Participant, on_delete=models.PROTECT, related_name="reaches")
    channel = models.CharField(max_length=5, choices=Channel.choices, default=Channel.MAIL)
    short_agreed = models.BooleanField(default=False)
    zone = models.CharField(max_length=60, blank=True)
    said_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(channel="mail") | Q(channel="short", short_agreed=True),
                name="reach_short_only_agreed",
            ),
            models.CheckConstraint(
                condition=Q(said_at__lte=models.F("recorded_at")), name="reach_not_in_future"
            ),
        ]
        indexes = [models.Index(fields=["participant", "-id"], name="reach_newest")]
        triggers = append_only()

    def __str__(self) -> str:
        return self.get_channel_display()


explain(
    {
        "reach_short_only_agreed": (
            Refused,
            "Short messages are sent only to volunteers who agreed to them.",
        ),
        "reach_not_in_future": (Refused, "This is later than now. Check date and time."),
    }
)
