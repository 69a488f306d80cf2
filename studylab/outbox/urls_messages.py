"""Addresses of the messages of a study."""

from django.urls import path

from studylab.outbox.views import messages

message_urls = [
    path("messages/", messages.messages_list, name="messages"),
    path("messages/questions/<uuid:uid>/", messages.message_question, name="message_question"),
]
