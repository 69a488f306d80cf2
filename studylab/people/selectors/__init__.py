"""Reading people, roles and devices."""

from studylab.people.selectors.people import (
    access_membership,
    actor_for,
    address_digest,
    blind_clash,
    blocked_words,
    current_memberships,
    holders_of,
    holding_on,
    membership_state,
    memberships_of_study,
    part_in,
    people_of_study,
    sign_in_blocked_until,
    studies_of,
    today_in,
    user_by_email,
)

__all__ = [
    "access_membership",
    "actor_for",
    "address_digest",
    "blind_clash",
    "blocked_words",
    "current_memberships",
    "holders_of",
    "holding_on",
    "membership_state",
    "memberships_of_study",
    "part_in",
    "people_of_study",
    "sign_in_blocked_until",
    "studies_of",
    "today_in",
    "user_by_email",
]
