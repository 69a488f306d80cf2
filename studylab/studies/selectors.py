"""Reading the study's protocol."""

from dataclasses import asdict, dataclass, fields
from datetime import datetime
from functools import lru_cache
from typing import Any

from django.db.models import F, QuerySet
from django.db.models.lookups import IsNull
from django.http import Http404

from studylab.people.services.signatures import content_hash
from studylab.prepared import Prepared
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.limits_rows import Change, changes
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Protocol

# Parts of a document by the heading they have on the page, for "what else changed".
_PARTS = {
    "visits": "visits and steps",
    "spacings": "time between visits",
    "waits": "waits",
    "turnaround": "turnaround",
    "questions": "questions",
    "allocation": "allocation",
    "supply": "supply",
    "follow_up": "contact after the dose",
    "safety": "safety",
    "progress": "planned period and pooled values",
    "texts": "texts for volunteers",
    "messages": "when messages are due",
    "payments": "payment for visits ended early",
    "currency": "currency of payments",
    "retention": "how long records are kept",
    "consent_version": "consent text",
    "emergency_number": "emergency number",
    "phone_24h": "24-hour phone",
    "target": "target number",
    "substance": "substance",
    "title": "title",
    "summary": "summary",
}


@dataclass(frozen=True, slots=True)
class CurrentProtocol:
    """The version that rules now. Its limits are inert while `confirmed` is False."""

    version: ProtocolVersion
    plan: Protocol

    @property
    def confirmed(self) -> bool:
        """Whether a clinician has confirmed this version's limits by signature."""
        return self.version.confirmed_at is not None


@dataclass(frozen=True, slots=True)
class VersionChanges:
    """What a version changes against the one in force: `limits` one by one, other `parts` by name."""

    against: ProtocolVersion
    limits: tuple[Change, ...]
    parts: tuple[str, ...]


@lru_cache(maxsize=64)
def _parsed(sha256: str, document: str) -> Protocol:
    return load_protocol(document)


_IN_FORCE = Prepared(
    lambda study: ProtocolVersion.objects.filter(study=study).order_by(
        IsNull(F("confirmed_at"), True), "-number"
    )[:1]
)
_by_hash: dict[str, Protocol] = {}


def plan_of(version: ProtocolVersion) -> Protocol:
    """Return what a version says; parsed once per process, since its text never changes."""
    return _parsed(version.sha256, version.document)


def plan_by_hash(sha256: str, *, version_id: int) -> Protocol:
    """Return what the version says whose text has this hash; the text is fetched only the first time."""
    if sha256 not in _by_hash:
        _by_hash[sha256] = plan_of(ProtocolVersion.objects.get(pk=version_id, sha256=sha256))
    return _by_hash[sha256]


def current_protocol(study: Study) -> CurrentProtocol:
    """Return the newest confirmed version, or the newest one while none is confirmed.

    Raises ProtocolVersion.DoesNotExist for a study without any version.
    """
    version = _IN_FORCE.first(study.pk)
    if version is None:
        raise ProtocolVersion.DoesNotExist
    version.study = study
    return CurrentProtocol(version, plan_of(version))


def versions_of(study: Study) -> QuerySet[ProtocolVersion]:
    """All versions of a study, newest first."""
    return study.protocol_versions.select_related("confirmation", "added_by").order_by("-number")


def newest_version(study: Study) -> ProtocolVersion | None:
    """Return the version added last, confirmed or not."""
    return versions_of(study).first()


def access_version(study: Study, number: int) -> ProtocolVersion:
    """Return a version of this study, else 404."""
    version = versions_of(study).filter(number=number).first()
    if version is None:
        raise Http404("There is no such protocol version in this study.")
    return version


def limits_content(version: ProtocolVersion) -> dict[str, Any]:
    """Return what a clinician signs: the version, the digest of its whole text, and every limit."""
    return {
        "study": version.study.slug,
        "version": version.number,
        "sha256": version.sha256,
        "limits": asdict(plan_of(version).limits),
    }


def confirmation_void(version: ProtocolVersion) -> bool:
    """Whether the signature under the limits no longer fits what the version says."""
    if version.confirmation is None:
        return False
    return not version.confirmation.covers(content_hash(limits_content(version)))


def confirmed_before(version: ProtocolVersion) -> ProtocolVersion | None:
    """Return the newest confirmed version before this one, which is what it is compared with."""
    return (
        version.study.protocol_versions.filter(
            confirmed_at__isnull=False, number__lt=version.number
        )
        .order_by("-number")
        .first()
    )


def changes_to_confirm(version: ProtocolVersion) -> VersionChanges | None:
    """Return what a version changes against the newest confirmed one before it, or None for the first."""
    before = confirmed_before(version)
    if before is None:
        return None
    old, new = plan_of(before), plan_of(version)
    differing = {
        field.name
        for field in fields(Protocol)
        if getattr(old, field.name) != getattr(new, field.name)
    }
    parts = tuple(words for name, words in _PARTS.items() if name in differing)
    return VersionChanges(before, tuple(changes(old.limits, new.limits)), parts)


def needs_approval(version: ProtocolVersion) -> bool:
    """Whether limits are changed against a confirmed version, so that an approval has to be named."""
    found = changes_to_confirm(version)
    return found is not None and bool(found.limits)


def confirmed_versions(study: Study) -> list[ProtocolVersion]:
    """Return the confirmed versions of a study, the oldest first."""
    return list(study.protocol_versions.filter(confirmed_at__isnull=False).order_by("number"))


def version_at(versions: list[ProtocolVersion], at: datetime) -> ProtocolVersion | None:
    """Return which of the confirmed `versions` was in force at an instant, the first one before it was; None
    when there is none."""
    found = [v for v in versions if v.confirmed_at is not None and v.confirmed_at <= at]
    return next(iter([*reversed(found), *versions]), None)
