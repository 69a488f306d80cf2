"""Whether anything about the kits could sort them by arm; for the pharmacist only."""

from django.views.decorators.debug import sensitive_variables

from studylab.access import Actor, Cap, require
from studylab.allocation.gates import arm_of_batch
from studylab.allocation.models import Kit, KitBatch, KitMovement
from studylab.allocation.rules.telling import Telling, telling
from studylab.allocation.selectors.dispensary import version_of_kits
from studylab.studies.models import Study


@sensitive_variables()
def kits_telling(study: Study, actor: Actor) -> list[Telling]:
    """Return, for number, own date and order of preparing, how rarely chance sorts kits by arm as well."""
    require(actor, Cap.DISPENSE)
    version = version_of_kits(study)
    batches = KitBatch.objects.filter(study=study).select_related("study")
    arm_of = {one.pk: arm_of_batch(one, version=version, actor=actor).key for one in batches}
    dates = {one.pk: one.usable_until for one in batches}
    kits = list(Kit.objects.filter(study=study).order_by("number"))
    arms = [arm_of[kit.batch_id] for kit in kits]
    prepared = KitMovement.objects.filter(kit__study=study, what=KitMovement.What.PREPARE)
    lines = list(prepared.order_by("id").values_list("kit__batch_id", flat=True))
    return [
        telling("kit number", [kit.number for kit in kits], arms),
        telling("order of preparing and printing", range(len(lines)), [arm_of[b] for b in lines]),
        telling("date of the batch", [dates[kit.batch_id] for kit in kits], arms),
    ]
