"""Addresses of the help: the same for the site, and below each study with its pages to go to."""

from django.urls import path

from studylab.help.views import help_pages

site_urls = [path("help/", help_pages.help_site, name="help_site")]
study_urls = [path("help/", help_pages.help_study, name="help")]
