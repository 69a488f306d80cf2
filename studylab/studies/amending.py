"""A clinician's own limits: a new protocol version in which only numbers below [limits] differ."""

from collections.abc import Mapping
from datetime import date

from studylab.access import Actor, Cap
from studylab.db import lock, service
from studylab.errors import Conflict, Refused
from studylab.people.services.roles import require_in
from studylab.studies.models import ProtocolVersion, Study
from studylab.studies.rules.amend import Path, amended
from studylab.studies.rules.loader import load_protocol
from studylab.studies.selectors import newest_version
from studylab.studies.services import version_write


@service
def limits_amend(
    *,
    version: ProtocolVersion,
    numbers: Mapping[Path, float],
    note: str,
    approval_reference: str = "",
    approval_on: date | None = None,
    actor: Actor,
) -> ProtocolVersion:
    """Add a version that is `version` with the given limits, unconfirmed. `numbers` maps paths to values.

    Only on the newest version, so that nobody's change is lost. Raises ProtocolInvalid where a number loosens
    a bound of the house, Refused where nothing differs.
    """
    require_in(actor, Cap.LIMITS_CONFIRM, version.study)
    study = lock(Study, pk=version.study_id)
    newest = newest_version(study)
    if newest is None or newest.pk != version.pk:
        raise Conflict("Somebody added a newer version meanwhile. Change the limits of that one.")
    if not numbers:
        raise Refused("No limit is different, so there is nothing to add.")
    document = amended(version.document, numbers)
    load_protocol(document)
    return version_write(
        study=study, document=document, number=version.number + 1, actor=actor, note=note,
        approval_reference=approval_reference, approval_on=approval_on,
    )  # fmt: skip
