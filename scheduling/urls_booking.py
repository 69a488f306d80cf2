"""Addresses of booking, moving, the calendar, and the set-up pages of rooms and hours."""

from django.urls import path

from scheduling.urls_rota import rota_urls
from scheduling.views import (
    absence,
    availability,
    booking,
    calendar,
    capacity,
    change,
    own_answers,
    plan,
    repair,
    resources,
    talks,
    waiting,
)

booking_urls = [
    path("calendar/", calendar.calendar, name="calendar"),
    path("calendar/plan/", plan.plans, name="plan"),
    path("calendar/plan/<uuid:uid>/", plan.plan_run, name="plan_run"),
    path("calendar/plan/<uuid:uid>/progress/", plan.plan_progress, name="plan_progress"),
    path("calendar/plan/<uuid:uid>/stop/", plan.plan_halt, name="plan_halt"),
    path("calendar/waiting/", waiting.waiting, name="waiting"),
    path("calendar/waiting/freed/<uuid:uid>/", waiting.waiting_freed, name="waiting_freed"),
    path("calendar/waiting/<uuid:uid>/end/", waiting.waiting_end, name="waiting_end"),
    path("volunteers/<str:code>/wait/", waiting.waiting_add, name="waiting_add"),
    path("calendar/capacity/", capacity.capacity, name="capacity"),
    path("calendar/capacity/table.csv", capacity.capacity_csv, name="capacity_csv"),
    path("calendar/repair/", repair.repair, name="repair"),
    path("resources/closures/add/", resources.resource_outage_add, name="resource_outage_add"),
    path("volunteers/<str:code>/book/", booking.series_book, name="series_book"),
    path("volunteers/<str:code>/book/let-go/", booking.option_let_go, name="series_let_go"),
    path("volunteers/<str:code>/times/", availability.series_times, name="series_times"),
    path("volunteers/<str:code>/series/", booking.series_view, name="series_view"),
    path(
        "volunteers/<str:code>/series/read-back/", talks.series_read_back, name="series_read_back"
    ),
    path("volunteers/<str:code>/series/cancel/", change.series_cancel, name="series_cancel"),
    path("volunteers/<str:code>/visits/<uuid:uid>/move/", change.visit_move, name="visit_move"),
    path(
        "volunteers/<str:code>/visits/<uuid:uid>/move/confirm/",
        change.visit_move_confirm,
        name="visit_move_confirm",
    ),
    path("volunteers/<str:code>/words/<uuid:uid>/", own_answers.word, name="word"),
    path("volunteers/<str:code>/words/<uuid:uid>/take/", own_answers.word_take, name="word_take"),
    path("volunteers/<str:code>/asked/<uuid:uid>/", own_answers.move_asked, name="move_asked"),
    path(
        "volunteers/<str:code>/asked/<uuid:uid>/accept/",
        own_answers.move_accept,
        name="move_accept",
    ),
    path("calendar/changes/<uuid:uid>/undo/", absence.series_change_undo, name="series_undo"),
    path("resources/", resources.resources, name="resources"),
    path("resources/add/", resources.resource_add, name="resource_add"),
    path("resources/closures/", resources.resource_closures, name="resource_closures"),
    path(
        "resources/closures/<uuid:uid>/remove/",
        resources.resource_closure_remove,
        name="resource_closure_remove",
    ),
    *rota_urls,
    path("resources/<uuid:uid>/", resources.resource_change, name="resource_change"),
    path("resources/<uuid:uid>/hours/", resources.resource_hours, name="resource_hours"),
    path("resources/<uuid:uid>/retire/", resources.resource_retire, name="resource_retire"),
    path("resources/<uuid:uid>/restore/", resources.resource_restore, name="resource_restore"),
]
