"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.allocation.views import dispensary, kits, lists, opening, printing

site_urls: list[URLPattern] = []
study_urls: list[URLPattern] = [
    path("commitment/", lists.commitment, name="commitment"),
    path("dispensary/", dispensary.dispensary, name="dispensary"),
    path("dispensary/list/", lists.list_seal, name="list_seal"),
    path("dispensary/reconciliation/", dispensary.reconciliation, name="reconciliation"),
    path("dispensary/receive/", kits.kits_receive, name="kits_receive"),
    path("dispensary/kits/<str:number>/", kits.kit, name="kit"),
    path("dispensary/kits/<str:number>/label/", printing.kit_label, name="kit_label"),
    path("dispensary/kits/<str:number>/<str:what>/", kits.kit_put, name="kit_put"),
    path("dispensary/volunteers/<str:code>/prepare/", kits.kit_prepare, name="kit_prepare"),
    path("dispensary/volunteers/<str:code>/hand-out/", kits.kit_dispense, name="kit_dispense"),
    path("dispensary/volunteers/<str:code>/sheet/", printing.kit_sheet, name="kit_sheet"),
    path("volunteers/<str:code>/open-code/", opening.code_open, name="code_open"),
    path("opened-codes/", opening.reveals, name="reveals"),
]
