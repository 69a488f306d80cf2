"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern

site_urls: list[URLPattern] = []
study_urls: list[URLPattern] = []
