"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.studies import views

site_urls: list[URLPattern] = []
study_urls: list[URLPattern] = [
    path("set-up/", views.set_up, name="set_up"),
    path("set-up/ready/", views.readiness, name="set_up_ready"),
    path("set-up/state/", views.study_state, name="study_state"),
    path("set-up/protocol/add/", views.protocol_new, name="protocol_add"),
    path("set-up/protocol/<int:number>/", views.protocol_version, name="protocol_version"),
]
