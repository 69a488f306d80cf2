"""Addresses of the help, the same for the site and below each study, and of what the program is made of."""

from django.urls import path

from studylab.help.views import about, help_pages

site_urls = [
    path("help/", help_pages.help_site, name="help_site"),
    path("about/", about.about, name="about"),
    path("about/licences/<str:name>/", about.about_licence, name="about_licence"),
]
study_urls = [path("help/", help_pages.help_study, name="help")]
