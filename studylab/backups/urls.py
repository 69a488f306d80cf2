"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.backups import views

site_urls: list[URLPattern] = []
study_urls = [
    path("restored/", views.restored, name="restored"),
    path("restored/<uuid:uid>/numbers/", views.restored_numbers, name="restored_numbers"),
    path("restored/<uuid:uid>/done/", views.restored_done, name="restored_done"),
]
