"""Addresses of Today and the run sheet."""

from django.urls import URLPattern

sheet_urls: list[URLPattern] = []
