"""Addresses of this app. Those below a study take its slug as `study`."""

from django.urls import URLPattern, path

from studylab.people.views import (
    access_review,
    account_admins,
    accounts,
    devices,
    first_run,
    invitation_door,
    invitations,
    leaving,
    lock,
    people,
    second_step,
    second_step_reset,
    second_step_roles,
    sign_in,
    steps,
    training,
)

site_urls: list[URLPattern] = [
    path("", sign_in.home_site, name="home_site"),
    path("first-run/", first_run.first_run, name="first_run"),
    path("sign-in/", sign_in.SignIn.as_view(), name="sign_in"),
    path("sign-in/", sign_in.SignIn.as_view(), name="account_login"),  # as allauth calls it
    path("sign-in/second-step/", steps.SecondStep.as_view(), name="mfa_authenticate"),
    path("sign-in/second-step/back/", steps.step_back, name="step_back"),
    path("sign-in/passkey/", steps.PasskeySignIn.as_view(), name="passkey_sign_in"),
    path("my-sign-in/", second_step.my_sign_in, name="my_sign_in"),
    path("my-sign-in/codes/", second_step.totp_new, name="totp_add"),
    path("my-sign-in/passkey/", second_step.passkey_new, name="passkey_add"),
    path("my-sign-in/remove/<int:factor>/", second_step.factor_drop, name="factor_remove"),
    path("my-sign-in/recovery/", second_step.recovery_codes, name="recovery_codes"),
    path("my-sign-in/recovery/kept/", second_step.recovery_kept, name="recovery_kept"),
    path("my-sign-in/recovery/new/", second_step.recovery_renew, name="recovery_renew"),
    path("accounts/second-step/", second_step_reset.second_step_reset, name="second_step_reset"),
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
    path("accounts/administrators/add/", account_admins.account_admin_add, name="account_admin_add"),
    path("accounts/<int:account>/administrator/end/", account_admins.account_admin_end, name="account_admin_end"),
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
    path("people/second-step/", second_step_roles.second_step_roles, name="second_step_roles"),
    path("people/", people.people, name="people"),
    path("people/add/", invitations.people_add, name="people_add"),
    path("people/training/", training.people_training, name="people_training"),
    path("people/training/<uuid:uid>/", training.people_training_back, name="people_training_back"),
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
