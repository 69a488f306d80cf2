"""Who has to be asked for consent again, because the text changed."""

from studylab.participants.selectors.consents import to_ask_again
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


def consent_again(study: Study) -> Group:
    """Everybody on the path whose consent is to an earlier text: nothing new is begun before they sign."""
    items = [
        Item(
            one.participant.code, address("consent_add", study, code=one.participant.code),
            f"Signed version “{one.version}”.", "warn", "ask again",
        )
        for one in to_ask_again(study)
    ]  # fmt: skip
    return Group("Consent again: the text has changed", "warn", address("volunteers", study), items)
