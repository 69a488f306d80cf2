"""Addresses of what messages say and of how volunteers are reached."""

from django.urls import path

from studylab.outbox.views import reach, wording

_ONE = "messages/words/<slug:kind>/<slug:language>/"
word_urls = [
    path("messages/words/", wording.wordings, name="wordings"),
    path("messages/senders/<slug:language>/", wording.wording_sender, name="wording_sender"),
    path(_ONE, wording.wording, name="wording"),
    path(f"{_ONE}preview/", wording.wording_preview, name="wording_preview"),
    path(f"{_ONE}back/", wording.wording_back, name="wording_back"),
    path("volunteers/<str:code>/reach/", reach.volunteer_reach, name="volunteer_reach"),
    path("volunteers/<str:code>/mails-back/", reach.message_settle, name="message_settle"),
]
