"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.studies import views, views_drafts

_DRAFT = "studies/drafts/<uuid:uid>/"
_VERSION_DRAFT = "set-up/drafts/<uuid:uid>/"

site_urls: list[URLPattern] = [
    path("studies/new/", views_drafts.study_new, name="study_new"),
    path(_DRAFT, views_drafts.study_draft, name="study_draft"),
    path(f"{_DRAFT}check/", views_drafts.study_draft_check, name="study_draft_check"),
    path(f"{_DRAFT}values/", views_drafts.study_draft_values, name="study_draft_values"),
    path(f"{_DRAFT}make/", views_drafts.study_draft_make, name="study_draft_make"),
    path(f"{_DRAFT}drop/", views_drafts.study_draft_drop, name="study_draft_drop"),
]
study_urls: list[URLPattern] = [
    path("set-up/", views.set_up, name="set_up"),
    path("set-up/ready/", views.readiness, name="set_up_ready"),
    path("set-up/state/", views.study_state, name="study_state"),
    path("set-up/drafts/new/", views_drafts.draft_new, name="protocol_draft_new"),
    path(_VERSION_DRAFT, views_drafts.protocol_draft, name="protocol_draft"),
    path(f"{_VERSION_DRAFT}check/", views_drafts.protocol_draft_check, name="protocol_draft_check"),
    path(
        f"{_VERSION_DRAFT}values/", views_drafts.protocol_draft_values, name="protocol_draft_values"
    ),
    path(f"{_VERSION_DRAFT}make/", views_drafts.protocol_draft_make, name="protocol_draft_make"),
    path(f"{_VERSION_DRAFT}drop/", views_drafts.protocol_draft_drop, name="protocol_draft_drop"),
    path("set-up/protocol/add/", views.protocol_new, name="protocol_add"),
    path("set-up/protocol/<int:number>/", views.protocol_version, name="protocol_version"),
]
