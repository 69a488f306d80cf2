"""Who has to be asked for consent again, because the text changed; who is asked or told what after taking part."""

from studylab.access import Actor, Cap
from studylab.allocation.selectors.arm_wishes import wish_rows
from studylab.allocation.selectors.unblinding import opening_state
from studylab.participants.selectors.consents import to_ask_again
from studylab.participants.selectors.wishes import to_ask
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


def wishes_to_ask(study: Study) -> Group:
    """Everybody who consented, withdrew and was not asked what may happen with their data."""
    items = [
        Item(
            one.code, address("volunteer_wishes", study, code=one.code),
            "May data be used, may they be contacted?", "wait", "not asked",
        )
        for one in to_ask(study)
    ]  # fmt: skip
    return Group("Withdrawn: ask what may happen", "warn", address("volunteers", study), items)


def arms_to_tell(study: Study, actor: Actor) -> list[Group]:
    """Everybody who wants to know their arm and was not told, once the list is open."""
    if not actor.may(Cap.ARM_TELL) or not opening_state(study).is_open:
        return []
    page, text = address("arm_wishes", study), "Wants to know what the capsule held."
    items = [Item(row.participant.code, page, text) for row in wish_rows(study) if row.to_tell]
    return [Group("The list is open: tell who wants to know", "info", page, items)]
