"""What messages of a study say and who they come from: rows that are only added, the newest counts."""

from django.db import models
from django.db.models import Q

from studylab.audit.history import append_only
from studylab.db import explain
from studylab.errors import Refused
from studylab.people.models import User
from studylab.studies.models import Study


class Wording(models.Model):
    """A study's own words for one kind of message in one language; empty with `is_house`: the house's words again.

    `of` is the digest of the English that these words translate (of themselves in English).
    """

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="wordings")
    kind = models.CharField(max_length=40)
    language = models.CharField(max_length=10)
    subject = models.CharField(max_length=200, blank=True)
    text = models.TextField(blank=True)
    short = models.TextField(blank=True)
    of = models.CharField(max_length=16, blank=True)
    is_house = models.BooleanField(default=False)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(is_house=True, subject="", text="", short="", of="")
                | (Q(is_house=False) & ~Q(subject="") & ~Q(text="") & ~Q(of="")),
                name="wording_own_or_house",
            )
        ]
        indexes = [models.Index(fields=["study", "kind", "language", "-id"], name="wording_newest")]
        triggers = append_only()

    def __str__(self) -> str:
        return f"{self.kind}, {self.language}"


class SenderName(models.Model):
    """Who messages of a study come from in one language, and where answers go ("": to the site's own address)."""

    study = models.ForeignKey(Study, on_delete=models.PROTECT, related_name="sender_names")
    language = models.CharField(max_length=10)
    name = models.CharField(max_length=60)
    reply_to = models.CharField(max_length=254, blank=True)
    written_at = models.DateTimeField()
    written_by = models.ForeignKey(User, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(name=""), name="sender_has_name")]
        indexes = [models.Index(fields=["study", "language", "-id"], name="sender_newest")]
        triggers = append_only()

    def __str__(self) -> str:
        return self.name


explain(
    {
        "wording_own_or_house": (Refused, "A message needs a subject and a text."),
        "sender_has_name": (Refused, "Enter the name that messages come from."),
    }
)
