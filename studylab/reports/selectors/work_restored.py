"""What everybody must know first on a site that was put back to an earlier moment."""

from studylab.backups.gaps import to_make_good
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


def restored_work(study: Study) -> list[Group]:
    """Return, for every role, from when to when the record knows nothing, until that is made good."""
    rows = to_make_good(study)
    page = address("restored", study)
    items = [
        Item(
            f"Nothing is known since {row.restoration.snapshot_at.astimezone(study.zone):%a %d %b, %H:%M}", page,
            "Enter again from paper what was done since. No message leaves and nobody is dosed meanwhile.", "stop",
        )
        for row in rows
    ]  # fmt: skip
    return [Group("The site was restored from a backup", "stop", page, items)] if items else []
