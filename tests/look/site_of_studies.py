"""The small site, with a page to change study on."""

from django.urls import path

from studylab.access import Cap, requires
from tests.look import site

urlpatterns = [
    path("studies/", requires(Cap.SIGNED_IN)(site.page), name="studies"),
    *site.urlpatterns,
]
handler403, handler404, handler500 = site.handler403, site.handler404, site.handler500
