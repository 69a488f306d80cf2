"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.people.views import (
    access_review,
    accounts,
    devices,
    first_run,
    invitation_door,
    invitations,
    leaving,
    lock,
    people,
    sign_in,
)

site_urls: list[URLPattern] = [
    path("", sign_in.home_site, name="home_site"),
    path("first-run/", first_run.first_run, name="first_run"),
    path("sign-in/", sign_in.SignIn.as_view(), name="sign_in"),
    path("sign-out/", sign_in.SignOut.as_view(), name="sign_out"),
    path("lock/", lock.lock, name="lock"),
    path("lock/now/", lock.lock_now, name="lock_now"),
    path("lock/open/", lock.unlock, name="unlock"),
    path("lock/still-here/", lock.still_here, name="still_here"),
    path("change-user/", lock.change_user, name="change_user"),
    path("sign-ins/", lock.sign_ins, name="sign_ins"),
    path("device/forget/", devices.device_forget, name="device_forget"),
    path("password/", sign_in.password_change, name="password_change"),
    path("accounts/", accounts.accounts, name="accounts"),
    path("accounts/<int:account>/off/", accounts.account_off, name="account_off"),
    path("accounts/<int:account>/on/", accounts.account_on, name="account_on"),
    path("accounts/<int:account>/password/", accounts.account_password, name="account_password"),
    path("accounts/lead/<slug:of>/", accounts.lead_invite, name="lead_invite"),
    path("password/new/", accounts.password_new, name="password_new"),
    path("invitation/", invitation_door.door, name="invitation"),
    path("invitation/accept/", invitation_door.accept, name="invitation_accept"),
    path("invitations/", invitation_door.own_invitations, name="own_invitations"),
    path(
        "invitations/<uuid:invitation>/accept/", invitation_door.own_accept, name="own_invitation_accept"
    ),
    path(
        "invitations/<uuid:invitation>/decline/", invitation_door.own_decline, name="own_invitation_decline"
    ),
]  # fmt: skip
study_urls: list[URLPattern] = [
    path("people/", people.people, name="people"),
    path("people/add/", invitations.people_add, name="people_add"),
    path("people/invitations/", invitations.invitations, name="people_invitations"),
    path(
        "people/invitations/<uuid:invitation>/again/", invitations.invitation_again,
        name="people_invitation_again",
    ),
    path(
        "people/invitations/<uuid:invitation>/withdraw/", invitations.invitation_end,
        name="people_invitation_withdraw",
    ),
    path("people/access/", access_review.access, name="people_access"),
    path("people/access/file/", access_review.access_file, name="people_access_file"),
    path("people/access/sign/", access_review.access_sign, name="people_access_sign"),
    path("people/<int:person>/leave/", leaving.person_leaves, name="people_leave"),
    path("devices/", devices.devices, name="devices"),
    path("devices/add/", devices.device_add, name="device_add"),
    path("devices/<uuid:device>/", devices.device, name="device"),
    path("devices/<uuid:device>/revoke/", devices.device_withdraw, name="device_withdraw"),
    path("people/roles/add/", people.people_role_add, name="people_role_add"),
    path("people/roles/<uuid:role>/end/", people.people_role_end, name="people_role_end"),
]  # fmt: skip
