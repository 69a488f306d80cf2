"""Who is asking, in which study, and may they see this page at all?"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from studylab.access import Actor, Cap
from studylab.people.selectors import actor_for, part_in
from studylab.people.selectors.second_step import second_step_missing

# What somebody may do who has not chosen a password of their own yet.
_BEFORE_OWN_PASSWORD = {"password_change", "sign_out"}
# What somebody may do who still lacks the second step that their role needs.
_BEFORE_SECOND_STEP = _BEFORE_OWN_PASSWORD | {
    "my_sign_in", "totp_add", "passkey_add", "recovery_codes", "recovery_kept", "sign_ins", "lock", "lock_now", "unlock",
    "still_here", "help_site",
}  # fmt: skip


class StudyMiddleware:
    """Resolve the study named in the address, build the actor, refuse what is not declared or allowed.

    A study in which the person holds no role answers "not found", as one that does not exist would.
    """

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        request.study = None  # type: ignore[attr-defined]
        request.actor = None  # type: ignore[attr-defined]
        try:
            response = self.get_response(request)
        finally:
            timezone.deactivate()
        if request.user.is_authenticated:
            response.headers.setdefault("Cache-Control", "no-store")
        return response

    def process_view(
        self, request: HttpRequest, view: Any, args: Any, kwargs: dict[str, Any]
    ) -> HttpResponse | None:
        """Let the request through, send it to sign-in, or refuse it."""
        cap = getattr(view, "required_capability", None)
        if cap is None:
            raise PermissionDenied("This page declares no capability.")
        if cap == Cap.ANYONE:
            return None
        if cap == Cap.LINK_HOLDER:
            return self._link_holder(request)
        if not request.user.is_authenticated:
            return redirect_to_login(request.get_full_path())
        if request.user.must_change_password and _page_name(request) not in _BEFORE_OWN_PASSWORD:
            return redirect("password_change")
        slug = kwargs.get("study")
        study, own = part_in(request.user, slug) if slug else (None, actor_for(request.user, None))
        device = getattr(request, "device", None)
        actor: Actor = replace(
            own, device=device.name if device is not None else "",
            request_id=request.number,  # type: ignore[attr-defined]
        )  # fmt: skip
        request.study, request.actor = study, actor  # type: ignore[attr-defined]
        if _page_name(request) not in _BEFORE_SECOND_STEP and second_step_missing(
            request.user, study, actor.roles, getattr(request, "sign_in", None)
        ):
            return redirect("my_sign_in")
        if study is not None:
            timezone.activate(study.timezone)
        if cap != Cap.SIGNED_IN and not actor.may(cap):
            raise PermissionDenied("Your role in this study does not allow this.")
        return None

    @staticmethod
    def _link_holder(request: HttpRequest) -> None:
        """Let a volunteer through whom `studylab.participants.middleware` has let in by a personal link."""
        actor: Actor | None = request.actor  # type: ignore[attr-defined]
        if actor is None or not actor.may(Cap.LINK_HOLDER) or actor.participant_id is None:
            raise PermissionDenied("This page opens by a personal link only.")


def _page_name(request: HttpRequest) -> str:
    match = request.resolver_match
    return (match.url_name if match else None) or ""
