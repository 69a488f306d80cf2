"""Addresses of public holidays and of the rota."""

from django.urls import path

from scheduling.views import holidays, rota

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
