"""Reading the study's protocol."""

from dataclasses import dataclass
from functools import lru_cache

from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.loader import load_protocol
from studylab.studies.rules.protocol import Protocol


@dataclass(frozen=True, slots=True)
class CurrentProtocol:
    """The version that rules now. Its limits are inert while `confirmed` is False."""

    version: ProtocolVersion
    plan: Protocol

    @property
    def confirmed(self) -> bool:
        """Whether a clinician has confirmed this version's limits by signature."""
        return self.version.confirmed_at is not None


@lru_cache(maxsize=64)
def _parsed(sha256: str, document: str) -> Protocol:
    return load_protocol(document)


def plan_of(version: ProtocolVersion) -> Protocol:
    """Return what a version says; parsed once per process, since its text never changes."""
    return _parsed(version.sha256, version.document)


def current_protocol(study: Study) -> CurrentProtocol:
    """Return the newest confirmed version, or the newest one while none is confirmed.

    Raises ProtocolVersion.DoesNotExist for a study without any version.
    """
    versions = study.protocol_versions.order_by("-number")
    version = versions.filter(confirmed_at__isnull=False).first() or versions.first()
    if version is None:
        raise ProtocolVersion.DoesNotExist
    return CurrentProtocol(version, plan_of(version))
