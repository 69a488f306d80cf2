"""What a member of staff who leaves still holds here: holds they opened, volunteers' links they made."""

from django.urls import reverse

from studylab import clock
from studylab.participants.models import Deviation, Hold, PersonalLink
from studylab.people.leaving import Held, counted
from studylab.people.models import User
from studylab.studies.models import Study


def held(study: Study, user: User) -> list[Held]:
    """Return open holds, deviations without an explanation and open links of volunteers, by count."""
    found = []
    holds = Hold.objects.filter(participant__study=study, opened_by=user, released_at=None).count()
    if holds:
        found.append(Held(
            f"{counted(holds, 'hold')} they opened and nobody has released: ask them now what they saw.",
            reverse("safety", args=[study.slug]),
        ))  # fmt: skip
    unexplained = Deviation.objects.filter(
        study=study, explanation="", recorded_by=user, closed_at=None
    ).count()
    if unexplained:
        found.append(Held(
            f"{counted(unexplained, 'deviation')} they recorded and nobody has explained: ask them now.",
            reverse("safety", args=[study.slug]),
        ))  # fmt: skip
    links = PersonalLink.objects.filter(
        participant__study=study, made_by=user, revoked_at=None, used_at=None,
        expires_at__gt=clock.now(),
    ).count()  # fmt: skip
    if links:
        found.append(Held(
            f"{counted(links, 'open link')} of volunteers that they handed over: these go on for the volunteers. Withdraw "
            "one on the volunteer’s page if it may be in wrong hands."
        ))  # fmt: skip
    return found
