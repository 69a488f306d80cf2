"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern

from scheduling.urls_booking import booking_urls
from scheduling.urls_payments import payment_urls
from scheduling.urls_rota import feed_urls, public_urls
from scheduling.urls_sheet import bell_urls, sheet_urls

site_urls: list[URLPattern] = [*bell_urls, *public_urls]
study_urls: list[URLPattern] = [*booking_urls, *feed_urls, *payment_urls, *sheet_urls]
