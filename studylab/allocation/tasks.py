"""Scheduled work of the dispensary."""

from celery import shared_task

from studylab.allocation.services.list_checks import check_due_lists


@shared_task(name="allocation.check_lists")
def check_lists() -> None:
    """Compare lists with practice where ten more numbers were issued. Running twice does no harm."""
    check_due_lists()
