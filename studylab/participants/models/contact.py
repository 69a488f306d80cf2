"""Contact details, encrypted and apart from the study's record.

No row history here: a kept old name would survive its own erasure. The trail says that and by whom
details were changed, never what they were.
"""

from django.db import models

from studylab.participants.models.person import Person


class Contact(models.Model):
    """Everything that names a person, as one AES-256-GCM box. `studylab.participants.contact` opens it."""

    person = models.OneToOneField(Person, on_delete=models.PROTECT, related_name="contact")
    box = models.BinaryField()
    changed_at = models.DateTimeField()
    erased_at = models.DateTimeField(null=True)

    def __str__(self) -> str:
        return "contact details, sealed"


class IdentityKey(models.Model):
    """A keyed hash by which the same person is found again: HMAC-SHA-256 over folded particulars.

    `kind` says which particulars: "name_birth", "family_birth", "given_birth", "email", "phone" tell who may be
    the same person; "name", "family", "given" serve the search. Hashes stay when details change and after
    erasure, so that somebody declined for safety is recognised under a former name too.
    """

    person = models.ForeignKey(Person, on_delete=models.CASCADE, related_name="identity_keys")
    kind = models.CharField(max_length=20)
    digest = models.CharField(max_length=64)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["person", "kind", "digest"], name="identity_key_once")
        ]
        indexes = [models.Index(fields=["kind", "digest"], name="identity_key_lookup")]

    def __str__(self) -> str:
        return self.kind
