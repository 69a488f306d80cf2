"""The published commitment on pages of apps that know nothing of the list."""

from typing import Any

from django import template

from studylab.allocation.selectors.facts import ListState, list_state

register = template.Library()


@register.simple_tag(takes_context=True)
def published_list(context: dict[str, Any]) -> ListState:
    """Return what everybody of the page's study may know of its list."""
    return list_state(context["study"])
