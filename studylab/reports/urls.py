"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.reports.views import (
    devices,
    exports,
    health,
    home,
    observers,
    person_copy,
    pooled,
    progress,
    record,
    requirements,
    reviews,
    running,
    safety,
    status,
    validation,
    volunteer,
)

site_urls: list[URLPattern] = [
    path("status/", status.site_status, name="site_status"),
    path("validation/", validation.site_validation, name="site_validation"),
    path("validation/<uuid:uid>/", validation.site_pack, name="site_validation_pack"),
    path("healthz/live", health.live, name="health_live"),
    path("healthz/ready", health.ready, name="health_ready"),
    path("metrics", health.metrics, name="metrics"),
]
study_urls = [
    path("", home.home, name="home"),
    path("path/", home.people_on_path, name="people_on_path"),
    path("progress/", progress.progress, name="progress"),
    path("progress/accrual/", progress.accrual, name="progress_accrual"),
    path("progress/kept/", progress.kept, name="progress_kept"),
    path("progress/pooled/", pooled.pooled, name="progress_pooled"),
    path("progress/pooled/values/", pooled.pooled_values, name="progress_pooled_values"),
    path("progress/pooled/<str:chart>.<str:form>", pooled.pooled_file, name="progress_pooled_file"),
    path("progress/observers/", observers.observers, name="progress_observers"),
    path(
        "progress/observers/<int:user>/sign/",
        observers.observer_sign,
        name="progress_observer_sign",
    ),
    path(
        "progress/observers/<str:chart>.<str:form>",
        observers.observers_file,
        name="progress_observers_file",
    ),
    path("progress/<str:chart>.<str:form>", progress.progress_file, name="progress_file"),
    path("volunteers/<str:code>/", volunteer.volunteer, name="volunteer"),
    path("devices/<uuid:device>/held/", devices.device_held, name="device_held"),
    path("volunteers/<str:code>/file/", volunteer.person_file, name="volunteer_file"),
    path("volunteers/<str:code>/copy/", person_copy.person_copy, name="volunteer_copy"),
    path(
        "volunteers/<str:code>/copy/<str:copy>/",
        person_copy.person_copy_handed,
        name="volunteer_copy_handed",
    ),
    path("record/", record.record, name="record"),
    path("record/download/", record.record_csv, name="record_download"),
    path("record/exports/", exports.exports, name="record_exports"),
    path("record/exports/new/", exports.export_add, name="record_export_add"),
    path("record/exports/<uuid:uid>/", exports.export, name="record_export"),
    path(
        "record/exports/<uuid:uid>/progress/",
        exports.export_progress,
        name="record_export_progress",
    ),
    path("record/exports/<uuid:uid>/stop/", exports.export_halt, name="record_export_halt"),
    path("record/exports/<uuid:uid>/file/", exports.export_file, name="record_export_file"),
    path("record/reviews/", reviews.reviews, name="record_reviews"),
    path("record/reviews/<slug:key>/", reviews.review_add, name="record_review_add"),
    path("record/requirements/", requirements.requirements_page, name="record_requirements"),
    path(
        "record/requirements/file/", requirements.requirements_file, name="record_requirements_file"
    ),
    path("set-up/running/", running.running, name="set_up_running"),
    path("set-up/running/rows/", running.running_rows, name="set_up_running_rows"),
    path(
        "set-up/running/<slug:kind>/<uuid:key>/stop/",
        running.running_stop,
        name="set_up_running_stop",
    ),
    path(
        "set-up/running/<slug:kind>/<uuid:key>/again/",
        running.running_again,
        name="set_up_running_again",
    ),
    path("set-up/validation/", validation.study_validation, name="set_up_validation"),
    path("set-up/validation/<uuid:uid>/", validation.study_pack, name="set_up_validation_pack"),
    path("set-up/status/", status.study_status, name="set_up_status"),
    path("safety/", safety.safety, name="safety"),
    path("events/", safety.events, name="events"),
    path("events/download/", safety.events_download, name="events_download"),
    path("events/<uuid:uid>/", safety.event, name="event"),
]
