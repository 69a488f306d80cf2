"""Background work of the notices: once a minute, what stands for whom."""

from celery import shared_task

from studylab.access import system_actor
from studylab.notices.services.standing import notices_stand
from studylab.studies.models import Study


@shared_task(name="notices.stand")
def stand() -> None:
    """Take down what stands in every study that is not closed. Doubled or lost, a tick does no harm."""
    for study in (
        Study.objects.exclude(state=Study.State.CLOSED)
        .filter(protocol_versions__isnull=False)
        .distinct()
    ):
        notices_stand(study=study, actor=system_actor("notices"))
