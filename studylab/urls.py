"""All addresses: a few for the site, the rest below the study they are about."""

from django.urls import include, path

import scheduling.urls
import screening.urls
import studylab.allocation.urls
import studylab.backups.urls
import studylab.help.urls
import studylab.notices.urls
import studylab.outbox.urls
import studylab.participants.urls
import studylab.people.urls
import studylab.reports.urls
import studylab.studies.urls

_APPS = (
    studylab.people.urls,
    studylab.studies.urls,
    studylab.participants.urls,
    studylab.outbox.urls,
    studylab.allocation.urls,
    screening.urls,
    scheduling.urls,
    studylab.backups.urls,
    studylab.reports.urls,
    studylab.notices.urls,
    studylab.help.urls,
)

urlpatterns = [
    *(pattern for app in _APPS for pattern in app.site_urls),
    path("s/<slug:study>/", include([pattern for app in _APPS for pattern in app.study_urls])),
]
handler400 = "studylab.people.views.errors.malformed"
handler403 = "studylab.people.views.errors.refused"
handler404 = "studylab.people.views.errors.not_found"
handler429 = "studylab.people.views.errors.too_many"  # asked for by allauth
handler500 = "studylab.people.views.errors.broken"
