"""Which roles sign in with a second step by a study's choice."""

from collections.abc import Collection
from typing import TYPE_CHECKING

from studylab.access import Actor, Cap, Role
from studylab.audit.actions import Action
from studylab.audit.services import audit
from studylab.db import lock, service
from studylab.errors import Refused
from studylab.people.rules.second_step import CHOOSABLE
from studylab.people.services.roles import require_in

if TYPE_CHECKING:
    from studylab.studies.models import Study


@service
def second_step_roles_choose(*, study: "Study", roles: Collection[str], actor: Actor) -> "Study":
    """Choose the roles that need a second step besides those that always do; from the next page on."""
    require_in(actor, Cap.PEOPLE_MANAGE, study)
    unknown = set(roles) - set(CHOOSABLE)
    if unknown:
        raise Refused("Choose among the roles that are listed.", field="roles")
    chosen = [role.value for role in Role if role in roles]
    locked: Study = lock(type(study), pk=study.pk)
    before = locked.second_step_roles
    if before != chosen:
        locked.second_step_roles = chosen
        locked.save(update_fields=["second_step_roles"])
        audit(
            actor=actor, action=Action.SECOND_STEP_ROLES_CHOSEN, subject_type="study",
            subject_code=locked.slug, data={"roles": [before, chosen]},
        )  # fmt: skip
    return locked
