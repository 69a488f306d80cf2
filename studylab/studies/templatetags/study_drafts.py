"""The drafts that pages below this app's own show."""

from django import template

from studylab.people.models import User
from studylab.studies.draft_pages import drafts_of_owner
from studylab.studies.models import ProtocolDraft

register = template.Library()


@register.simple_tag
def own_drafts(user: User) -> list[ProtocolDraft]:
    """Return the studies to come that somebody writes."""
    return drafts_of_owner(user)
