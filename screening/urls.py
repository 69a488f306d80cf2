"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from screening.views import (
    assessment,
    checks,
    limits,
    monitors,
    notes,
    questions,
    rules,
    self_report,
    sign_off,
    staff,
    teaching,
    vital_drafts,
    vitals,
)

site_urls: list[URLPattern] = [
    path("my/questions/", self_report.start, name="self_report"),
    path("my/questions/agreement/", self_report.agreement, name="self_report_agreement"),
    path("my/questions/<int:number>/", self_report.screen, name="self_report_screen"),
    path("my/questions/review/", self_report.review, name="self_report_review"),
    path("my/questions/later/", self_report.later, name="self_report_later"),
    path("my/questions/sent/", self_report.sent, name="self_report_sent"),
]
_person = "volunteers/<str:code>/"
_visit = f"{_person}visits/<uuid:visit_uid>/"
_version = "set-up/protocol/<int:number>/"
study_urls: list[URLPattern] = [
    path(f"{_person}questions/", questions.questions, name="questions"),
    path(f"{_visit}questions/", questions.dosing_day_questions, name="dosing_day_questions"),
    path(f"{_visit}questions/ahead/", questions.ahead_questions, name="ahead_questions"),
    path(f"{_person}answers/", questions.answers, name="answers"),
    path("medicines/offers/", questions.medicine_offers, name="medicine_offers"),
    path(f"{_person}vitals/<str:gate>/draft/", vital_drafts.draft, name="vitals_draft"),
    path(f"{_visit}vitals/<str:gate>/draft/", vital_drafts.visit_draft, name="visit_vitals_draft"),
    path(f"{_person}vitals/<uuid:uid>/", vitals.vitals, name="vitals"),
    path(f"{_person}vitals/<uuid:uid>/correct/", vitals.vitals_correct, name="vitals_correct"),
    path(
        f"{_person}vitals/<uuid:uid>/correct/draft/",
        vital_drafts.correct_draft,
        name="vitals_correct_draft",
    ),
    path(f"{_person}vitals/<str:gate>/", vitals.vitals_add, name="vitals_add"),
    path(f"{_visit}vitals/<str:gate>/", vitals.visit_vitals_add, name="visit_vitals_add"),
    path(f"{_person}checks/<uuid:uid>/", checks.check, name="check"),
    path(f"{_person}checks/<uuid:uid>/correct/", checks.check_correct, name="check_correct"),
    path(f"{_person}checks/<uuid:uid>/read/", checks.ecg, name="ecg_read"),
    path(f"{_person}checks/<str:gate>/<str:kind>/", checks.check_add, name="check_add"),
    path(f"{_visit}checks/<str:gate>/<str:kind>/", checks.visit_check_add, name="visit_check_add"),
    path("today/clocks/", monitors.monitor_clocks, name="monitor_clocks"),
    path("today/clocks/<uuid:uid>/", monitors.monitor_out_of_use, name="monitor_retire"),
    path("teaching/curve/", teaching.curve, name="teaching_curve"),
    path(f"{_person}assessment/", assessment.assessment, name="assessment"),
    path(f"{_person}assessment/again/", assessment.assessment_again, name="assessment_again"),
    path(f"{_visit}assessment/", assessment.dosing_day_assessment, name="dosing_day_assessment"),
    path(f"{_version}confirm/", limits.confirm, name="limits_confirm"),
    path(f"{_version}amend/", limits.amend, name="limits_amend"),
    path(f"{_version}people/", limits.people, name="protocol_people"),
    path("set-up/rules/", rules.runs, name="set_up_rules"),
    path("set-up/rules/table/", rules.table, name="set_up_rules_table"),
    path("set-up/rules/run/", rules.run_now, name="set_up_rules_run"),
    path("set-up/rules/<uuid:uid>/", rules.run, name="set_up_rules_of"),
    path(f"{_visit}assessment/ahead/", assessment.ahead_assessment, name="ahead_assessment"),
    path(f"{_person}notes/", notes.notes, name="volunteer_notes"),
    path(f"{_person}notes/<str:key>/", notes.answer, name="note_answer"),
    path(f"{_person}relations/", staff.relations, name="assessment_relations"),
    path("set-up/staff-phones/", staff.phones, name="set_up_staff_phones"),
    path("sign-off/", sign_off.queue, name="sign_off_queue"),
    path("sign-off/<str:code>/", sign_off.sign_off, name="sign_off"),
    path(f"{_person}asked/<uuid:signature>/<int:index>/", sign_off.bring, name="assessment_bring"),
    path(f"{_person}number/", sign_off.number, name="number_issue"),
]
