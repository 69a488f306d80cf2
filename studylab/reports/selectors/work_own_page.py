"""What volunteers wrote or asked for on their own page, for the front pages. Their words stand on the page behind."""

from datetime import datetime

from django.utils import formats
from django.utils.timezone import localtime

from scheduling.selectors.own_page import LAPSED, open_proposals
from studylab.access import Actor, Cap
from studylab.participants.selectors.words import open_words
from studylab.reports.selectors.links import address
from studylab.reports.selectors.work_items import Group, Item
from studylab.studies.models import Study


def own_page_groups(study: Study, actor: Actor, at: datetime) -> list[Group]:
    """Return what waits for an answer: first who does not feel well, then the rest; empty groups are left out."""
    groups = []
    if actor.may(Cap.EVENT_RECORD):
        rows = open_words(study, at)
        unwell = [
            Item(
                one.word.participant.code,
                address("word", study, code=one.word.participant.code, uid=one.word.uid),
                f"{one.word.get_kind_display().capitalize()}, sent {_when(one.word.at)}.",
                one.kind, one.state,
            )
            for one in rows
        ]  # fmt: skip
        urgent = sum(one.urgent for one in rows)
        today = address("today", study)
        groups.append(Group("A volunteer does not feel well", "stop", today, unwell[:urgent]))
        groups.append(Group("Volunteers wrote to you", "warn", today, unwell[urgent:]))
    if actor.may(Cap.SERIES_BOOK):
        groups.append(_asked(study, at))
    return [group for group in groups if group.items]


def _asked(study: Study, at: datetime) -> Group:
    items = [
        Item(
            f"{one.proposal.participant.code}, visit {one.proposal.visit.number}",
            address("move_asked", study, code=one.proposal.participant.code, uid=one.proposal.uid),
            f"Asks for {_when(one.proposal.new_start)} instead of {_when(one.proposal.old_start)}.",
            one.kind, "lapsed, not answered" if one.state == LAPSED else f"held until {_time(one.proposal.hold.until)}",
        )
        for one in open_proposals(study, at)
    ]  # fmt: skip
    return Group("Volunteers ask for another time", "warn", address("calendar", study), items)


def _when(at: datetime) -> str:
    return formats.date_format(localtime(at), "D j M, H:i")


def _time(at: datetime) -> str:
    return formats.date_format(localtime(at), "H:i")
