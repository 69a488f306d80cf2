"""Addresses of Today, the run sheet, the dose page and the contact after a dose."""

from django.urls import URLPattern, include, path

from scheduling.views import (
    absence,
    acts,
    bells,
    contacts,
    cover,
    dose,
    kept,
    leaving,
    lookup,
    paper,
    presence,
    sheet,
    talks,
    today,
    trials,
    unsent,
)

_one_visit = [
    path("", sheet.visit, name="visit"),
    path("start/", sheet.visit_start, name="visit_start"),
    path("not-here/", absence.visit_absent, name="visit_absent"),
    path("not-here/tried/", absence.visit_looked_for, name="visit_looked_for"),
    path("confirm/", talks.visit_confirm, name="visit_confirm"),
    path("finish/", sheet.visit_finish, name="visit_finish"),
    path("stop/", sheet.visit_stop, name="visit_stop"),
    path("steps/<slug:step>/", sheet.step_record, name="step_record"),
    path("steps/<slug:step>/act/", acts.step_act, name="step_act"),
    path("kept/", kept.sheet_keep, name="sheet_keep"),
    path("steps/<slug:step>/leave-out/", sheet.step_skip, name="step_skip"),
    path("steps/<slug:step>/correct/", sheet.step_correct, name="step_correct"),
    path("pack/", paper.visit_pack, name="visit_pack"),
    path("labels/", paper.visit_labels, name="visit_labels"),
    path("trials/<slug:order>/", trials.trials, name="trials"),
    path("trials/<slug:order>/file/", trials.trials_file, name="trials_file"),
    path("dose/", dose.dose, name="dose"),
    path("dose/give/", dose.dose_give, name="dose_give"),
    path("dose/gate/", dose.dose_gate, name="dose_gate"),
    path("dose/past-gate/", dose.dose_past_gate, name="dose_past_gate"),
    path("dose/correct/", dose.dose_correct, name="dose_correct"),
    path("stay/", presence.stay, name="stay"),
    path("leave/", leaving.leave_check, name="leave_check"),
    path("leave/against-advice/", leaving.leave_against_advice, name="leave_against_advice"),
    path("symptom/", leaving.symptom, name="symptom"),
    path("emergency/", leaving.emergency, name="emergency"),
    path("contact/", contacts.contact_add, name="contact_add"),
]
bell_urls: list[URLPattern] = [
    path("bells/", bells.bells, name="bells"),
    path("lock/bells/", bells.bells_locked, name="bells_locked"),
]
sheet_urls: list[URLPattern] = [
    path("today/", today.today, name="today"),
    path("tablet/", kept.tablet_shell, name="tablet_shell"),
    path("tablet/unsent/", unsent.unsent_file, name="unsent_file"),
    path("tablet/hello/", kept.tablet_hello, name="tablet_hello"),
    path("tablet-worker.js", kept.tablet_worker, name="tablet_worker"),
    path("today/rows/", today.today_rows, name="today_rows"),
    path("today/contacts/", contacts.contacts, name="contacts"),
    path("today/cover/", cover.cover, name="cover"),
    path("today/sensor-labels/", paper.sensor_labels, name="sensor_labels"),
    path("volunteers/<str:code>/wallet-card/", paper.wallet_card, name="wallet_card"),
    path(
        "volunteers/<str:code>/wallet-card/handed/",
        paper.wallet_card_handed,
        name="wallet_card_handed",
    ),
    path("today/call/", lookup.look_up, name="look_up"),
    path("today/cover/still/", cover.cover_still, name="cover_still"),
    path("today/emergency-kit/", presence.rescue_check, name="rescue_check"),
    path("today/cover/out/", cover.cover_out, name="cover_out"),
    path("visits/<uuid:uid>/", include(_one_visit)),  # type: ignore[list-item]
]
