"""Addresses of payments."""

from django.urls import path

from scheduling.views import payments

payment_urls = [
    path("payments/", payments.payments, name="payments"),
    path("payments/list.csv", payments.payments_csv, name="payments_csv"),
    path("payments/sent-home/<uuid:uid>/", payments.sent_home_take_back, name="payment_sent_home_back"),
    path("payments/<uuid:uid>/correct/", payments.payment_correct, name="payment_correct"),
    path("payments/<uuid:uid>/receipt/", payments.payment_receipt, name="payment_receipt"),
    path("volunteers/<str:code>/payments/", payments.payment_account, name="payment_account"),
    path("volunteers/<str:code>/payments/add/", payments.payment_add, name="payment_add"),
    path("volunteers/<str:code>/payments/sent-home/", payments.payment_sent_home, name="payment_sent_home"),
]  # fmt: skip
