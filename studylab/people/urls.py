"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.people.views import devices, first_run, lock, people, sign_in

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
]
study_urls: list[URLPattern] = [
    path("people/", people.people, name="people"),
    path("people/add/", people.people_add, name="people_add"),
    path("devices/", devices.devices, name="devices"),
    path("devices/add/", devices.device_add, name="device_add"),
    path("devices/<uuid:device>/", devices.device, name="device"),
    path("devices/<uuid:device>/revoke/", devices.device_withdraw, name="device_withdraw"),
    path("people/roles/add/", people.people_role_add, name="people_role_add"),
    path("people/roles/<uuid:role>/end/", people.people_role_end, name="people_role_end"),
    path(
        "people/roles/<uuid:role>/starting-password/",
        people.people_starting_password,
        name="people_starting_password",
    ),
]
