"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.allocation.views import (
    assays,
    batches,
    blinding,
    dispensary,
    kits,
    lists,
    opening,
    printing,
    unblinding,
)

site_urls: list[URLPattern] = []
study_urls: list[URLPattern] = [
    path("commitment/", lists.commitment, name="commitment"),
    path("dispensary/", dispensary.dispensary, name="dispensary"),
    path("dispensary/list/", lists.list_seal, name="list_seal"),
    path("dispensary/reconciliation/", dispensary.reconciliation, name="reconciliation"),
    path("dispensary/telling/", dispensary.telling, name="dispensary_telling"),
    path("dispensary/containers/", kits.containers_prepare, name="containers_prepare"),
    path("dispensary/receive/", kits.kits_receive, name="kits_receive"),
    path("dispensary/batches/<uuid:uid>/identity/", batches.batch_check, name="batch_check"),
    path("dispensary/batches/<uuid:uid>/count/", batches.batch_count, name="batch_count"),
    path("dispensary/excursions/", batches.excursions, name="excursions"),
    path("dispensary/excursions/add/", batches.excursion_add, name="excursion_add"),
    path(
        "dispensary/excursions/<uuid:uid>/decide/",
        batches.excursion_decide,
        name="excursion_decide",
    ),
    path("dispensary/cards/print/", blinding.cards_print, name="cards_print"),
    path("dispensary/cards/<str:serial>/settle/", blinding.card_settle, name="card_settle"),
    path("dispensary/kits/<str:number>/", kits.kit, name="kit"),
    path("dispensary/kits/<str:number>/seen/<slug:seen>/", batches.kit_sight, name="kit_sight"),
    path("dispensary/kits/<str:number>/label/", printing.kit_label, name="kit_label"),
    path("dispensary/kits/<str:number>/<str:what>/", kits.kit_put, name="kit_put"),
    path("dispensary/volunteers/<str:code>/prepare/", kits.kit_prepare, name="kit_prepare"),
    path("dispensary/volunteers/<str:code>/hand-out/", kits.kit_dispense, name="kit_dispense"),
    path("dispensary/volunteers/<str:code>/sheet/", printing.kit_sheet, name="kit_sheet"),
    path("volunteers/<str:code>/open-code/", opening.code_open, name="code_open"),
    path("volunteers/<str:code>/unblinded/", blinding.learnt_add, name="learnt_add"),
    path(
        "volunteers/<str:code>/guess/<slug:stage>/<slug:teller>/",
        blinding.guess_add,
        name="guess_add",
    ),
    path("opened-codes/", opening.reveals, name="reveals"),
    path("opened-codes/practise/", blinding.drill, name="drill"),
    path("opened-codes/cards/", blinding.cards, name="cards"),
    path("opened-codes/cards/<str:serial>/opened/", blinding.card_opened, name="card_opened"),
    path("unblinding/", unblinding.unblinding, name="unblinding"),
    path("unblinding/lock/", unblinding.data_lock, name="data_lock"),
    path("unblinding/ask/", unblinding.opening_ask, name="opening_ask"),
    path("unblinding/open/", unblinding.opening_agree, name="opening_agree"),
    path("unblinding/list/", unblinding.opened_list, name="opened_list"),
    path("volunteers/<str:code>/laboratory/", assays.assay_add, name="assay_add"),
    path("unblinding/laboratory/<uuid:uid>/", assays.assay_explain, name="assay_explain"),
    path("unblinding/list.<slug:kind>", unblinding.opened_file, name="opened_file"),
]
