"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern

from studylab.outbox.urls_messages import message_urls
from studylab.outbox.urls_words import word_urls

site_urls: list[URLPattern] = []
study_urls = [*message_urls, *word_urls]
