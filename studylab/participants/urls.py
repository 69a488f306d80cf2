"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, include, path

from studylab.participants.views import (
    acquaintances,
    consents,
    contact,
    deviations,
    ends,
    holds,
    link_door,
    links,
    volunteers,
)

_one_volunteer = [
    path("contact/", contact.volunteer_contact, name="volunteer_contact"),
    path("contact/change/", contact.volunteer_contact_change, name="volunteer_contact_change"),
    path("consent/", consents.consents, name="consents"),
    path("consent/add/", consents.consent_add, name="consent_add"),
    path("consent/agreement/", consents.consent_agreement, name="consent_agreement"),
    path("consent/correct/", consents.consent_correct_view, name="consent_correct"),
    path("consent/<slug:kind>/correct/", consents.consent_correct_view, name="consent_correct"),
    path("withdraw/", ends.volunteer_withdraw, name="volunteer_withdraw"),
    path("end/", ends.volunteer_end, name="volunteer_end"),
    path("links/", links.links, name="links"),
    path("links/<uuid:uid>/withdraw/", links.link_revoke_view, name="link_revoke"),
    path("hold/", holds.hold_add, name="hold_add"),
    path("knows/", acquaintances.acquaintances, name="volunteer_acquaintances"),
]
_one_deviation = [
    path("", deviations.deviation, name="deviation"),
    path("explain/", deviations.deviation_explain_view, name="deviation_explain"),
    path("close/", deviations.deviation_close_view, name="deviation_close"),
]
site_urls: list[URLPattern] = [
    path("my/", link_door.door, name="link_door"),
    path("my/language/", link_door.language, name="link_language"),
    path("my/leave/", link_door.leave, name="link_leave"),
]
study_urls = [
    path("volunteers/", volunteers.volunteers, name="volunteers"),
    path("volunteers/find/", volunteers.volunteer_find, name="volunteer_find"),
    path("volunteers/add/", volunteers.volunteer_add, name="volunteer_add"),
    path("volunteers/<str:code>/", include(_one_volunteer)),
    path("holds/<uuid:uid>/release/", holds.hold_release_view, name="hold_release"),
    path("deviations/", deviations.deviations, name="deviations"),
    path("deviations/add/", deviations.deviation_add, name="deviation_add"),
    path("deviations/<uuid:uid>/", include(_one_deviation)),
]
