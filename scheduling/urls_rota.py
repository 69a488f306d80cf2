"""Addresses of public holidays, of the rota, of calendar files and of a volunteer's own visits."""

from django.urls import path

from scheduling.views import calendar, feeds, holidays, my_visits, own_visits, own_words, rota

rota_urls = [
    path("resources/holidays/", holidays.resource_holidays, name="resource_holidays"),
    path("resources/holidays/add/", holidays.resource_holidays_add, name="resource_holidays_add"),
    path(
        "resources/holidays/<uuid:uid>/open/",
        holidays.resource_holiday_open,
        name="resource_holiday_open",
    ),
    path(
        "resources/holidays/<uuid:uid>/close/",
        holidays.resource_holiday_close,
        name="resource_holiday_close",
    ),
    path("resources/rota/", rota.resource_rota, name="resource_rota"),
    path("resources/rota/add/", rota.resource_shift_add, name="resource_shift_add"),
    path(
        "resources/rota/shifts/<uuid:uid>/remove/",
        rota.resource_shift_remove,
        name="resource_shift_remove",
    ),
    path("resources/rota/file/", rota.resource_rota_file, name="resource_rota_file"),
    path("resources/rota/file/take/", rota.resource_rota_take, name="resource_rota_take"),
    path(
        "resources/rota/files/<uuid:uid>/undo/", rota.resource_rota_undo, name="resource_rota_undo"
    ),
    path("resources/rota/example.csv", rota.resource_rota_example, name="resource_rota_example"),
]
feed_urls = [
    path("calendar/feeds/", feeds.calendar_feeds, name="calendar_feeds"),
    path(
        "calendar/feeds/<uuid:uid>/withdraw/",
        feeds.calendar_feed_revoke,
        name="calendar_feed_revoke",
    ),
    path(
        "volunteers/<str:code>/visits/<uuid:uid>/move/to/",
        calendar.visit_move_to,
        name="visit_move_to",
    ),
    path(
        "volunteers/<str:code>/series/<uuid:uid>/appointments.ics",
        feeds.series_appointments,
        name="series_appointments",
    ),
]
public_urls = [
    path("feeds/<str:token>.ics", feeds.feed, name="feed"),
    path("my/visits/", my_visits.visits, name="my_visits"),
    path("my/visits/unwell/", own_words.unwell, name="my_unwell"),
    path("my/visits/medicine/", own_words.medicine, name="my_medicine"),
    path("my/visits/leave-the-study/", own_words.withdraw, name="my_withdraw"),
    path("my/visits/what-may-happen/", own_words.wishes, name="my_wishes"),
    path("my/visits/told/<uuid:uid>/", own_words.told, name="my_word"),
    path("my/visits/<int:number>/confirm/", own_visits.confirm, name="my_visit_confirm"),
    path("my/visits/<int:number>/cancel/", own_visits.cancel, name="my_visit_cancel"),
    path("my/visits/<int:number>/times/", own_visits.other_times, name="my_visit_times"),
    path("my/visits/<int:number>/times/ask/", own_visits.ask_for, name="my_visit_ask"),
    path("my/visits/appointments.ics", my_visits.appointments, name="my_appointments"),
]
