"""Addresses of the notices."""

from django.urls import path

from studylab.notices.views import needs

site_urls: list[object] = []
study_urls = [
    path("needs/", needs.needs, name="needs"),
    path("needs/count/", needs.needs_count, name="needs_count"),
    path("needs/read/", needs.needs_read, name="needs_read"),
    path("needs/mine/", needs.my_notices, name="my_notices"),
    path("needs/red/", needs.red_notices, name="red_notices"),
]
