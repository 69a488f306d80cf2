"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.reports.views import devices, home, progress, record, safety, volunteer

site_urls: list[URLPattern] = []
study_urls = [
    path("", home.home, name="home"),
    path("path/", home.people_on_path, name="people_on_path"),
    path("progress/", progress.progress, name="progress"),
    path("progress/accrual/", progress.accrual, name="progress_accrual"),
    path("progress/<str:chart>.<str:form>", progress.progress_file, name="progress_file"),
    path("volunteers/<str:code>/", volunteer.volunteer, name="volunteer"),
    path("devices/<uuid:device>/held/", devices.device_held, name="device_held"),
    path("record/", record.record, name="record"),
    path("record/download/", record.record_csv, name="record_download"),
    path("safety/", safety.safety, name="safety"),
    path("events/", safety.events, name="events"),
    path("events/download/", safety.events_download, name="events_download"),
    path("events/<uuid:uid>/", safety.event, name="event"),
]
