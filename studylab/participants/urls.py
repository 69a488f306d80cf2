"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, include, path

from studylab.participants.views import (
    acquaintances,
    consents,
    contact,
    deviations,
    ends,
    erasure,
    event_acts,
    events,
    holds,
    link_door,
    links,
    pauses,
    reporting,
    volunteers,
    wishes,
)

_one_volunteer = [
    path("contact/", contact.volunteer_contact, name="volunteer_contact"),
    path("contact/erase/", erasure.volunteer_contact_erase, name="volunteer_contact_erase"),
    path("contact/change/", contact.volunteer_contact_change, name="volunteer_contact_change"),
    path("consent/", consents.consents, name="consents"),
    path("consent/add/", consents.consent_add, name="consent_add"),
    path("consent/agreement/", consents.consent_agreement, name="consent_agreement"),
    path("consent/correct/", consents.consent_correct_view, name="consent_correct"),
    path("consent/<slug:kind>/correct/", consents.consent_correct_view, name="consent_correct"),
    path("withdraw/", ends.volunteer_withdraw, name="volunteer_withdraw"),
    path("end/", ends.volunteer_end, name="volunteer_end"),
    path("wishes/", wishes.volunteer_wishes, name="volunteer_wishes"),
    path("links/", links.links, name="links"),
    path("links/<uuid:uid>/withdraw/", links.link_revoke_view, name="link_revoke"),
    path("hold/", holds.hold_add, name="hold_add"),
    path("knows/", acquaintances.acquaintances, name="volunteer_acquaintances"),
    path("news/<uuid:uid>/", event_acts.news_tell, name="news_tell"),
]
_one_deviation = [
    path("", deviations.deviation, name="deviation"),
    path("explain/", deviations.deviation_explain_view, name="deviation_explain"),
    path("close/", deviations.deviation_close_view, name="deviation_close"),
    path("assess/", reporting.deviation_assess_view, name="deviation_assess"),
    path("told/", reporting.deviation_told, name="deviation_told"),
    path("not-told/", reporting.deviation_not_told, name="deviation_not_told"),
    path("notice/", reporting.deviation_notice, name="deviation_notice"),
    path("report/<slug:rule>/<slug:part>/", reporting.deviation_report, name="deviation_report"),
]
_one_event = [
    path("more/", events.event_more, name="event_more"),
    path("correct/", events.event_correct, name="event_correct"),
    path("judge/", event_acts.event_judge_view, name="event_judge"),
    path("read/", event_acts.event_read_view, name="event_read"),
    path("close/", event_acts.event_close_view, name="event_close"),
    path("care/", event_acts.event_care, name="event_care"),
    path("news/", event_acts.event_news, name="event_news"),
    path("told/", reporting.event_told, name="event_told"),
    path("not-told/", reporting.event_not_told, name="event_not_told"),
    path("report/<slug:rule>/<slug:part>/", reporting.event_report, name="event_report"),
]
_one_pause = [
    path("", pauses.pause, name="pause"),
    path("physician/", pauses.pause_physician, name="pause_physician"),
    path("lead/", pauses.pause_lead, name="pause_lead"),
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
    path("deviations/download/", deviations.deviations_download, name="deviations_download"),
    path("deviations/add/", deviations.deviation_add, name="deviation_add"),
    path("deviations/<uuid:uid>/", include(_one_deviation)),
    path("events/add/", events.event_add_view, name="event_add"),
    path("events/<uuid:uid>/", include(_one_event)),
    path("pauses/<uuid:uid>/", include(_one_pause)),
]
