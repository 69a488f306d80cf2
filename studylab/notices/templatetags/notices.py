"""The count in the header of every page of a study."""

from typing import Any

from django import template
from django.template import Context

from studylab import clock
from studylab.access import Cap
from studylab.notices.selectors.needs import needs_of

register = template.Library()


@register.inclusion_tag("notices/_header.html", takes_context=True)
def needs_me(context: Context) -> dict[str, Any]:
    """How much needs the actor, in one query; nothing outside a study or on the lock page."""
    request: Any = context.get("request")
    actor, study = getattr(request, "actor", None), getattr(request, "study", None)
    if actor is None or study is None or actor.user_id is None or not actor.may(Cap.HOME_VIEW):
        return {}
    if context.get("is_lock_page"):
        return {}
    found = request.needs = needs_of(study, actor.user_id, [role.value for role in actor.roles])
    return {"needs": found, "study": study, "now": clock.now()}
