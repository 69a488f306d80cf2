"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern

from scheduling.urls_booking import booking_urls
from scheduling.urls_sheet import sheet_urls

site_urls: list[URLPattern] = []
study_urls: list[URLPattern] = [*booking_urls, *sheet_urls]
