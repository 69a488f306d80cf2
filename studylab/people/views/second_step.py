"""One's own sign-in: second steps, recovery codes, and where one is signed in."""

from allauth.mfa.adapter import get_adapter
from allauth.mfa.totp.internal.auth import generate_totp_secret
from allauth.mfa.webauthn.internal.auth import begin_registration
from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from studylab import clock
from studylab.access import Cap, requires
from studylab.http import answer_form, posted
from studylab.people.adapters import passkeys_work
from studylab.people.models import User
from studylab.people.second_step_forms import PasskeyForm, PasswordAgain, TotpForm
from studylab.people.selectors.devices import live_sign_ins
from studylab.people.selectors.second_step import (
    factors_of,
    needs_second_step,
    recovery_of,
    second_step_missing,
)
from studylab.people.selectors.signing import locks_shown
from studylab.people.services.passwords import password_again
from studylab.people.services.second_step import (
    factor_remove,
    passkey_add,
    recovery_codes_kept,
    recovery_codes_renew,
    totp_add,
)
from studylab.people.views.lock import DeviceRequest

_OFFERED = (
    "totp_offered"  # in the session, sealed: the secret that the page shows until its first code
)


def _user(request: DeviceRequest) -> User:
    assert isinstance(request.user, User)
    return request.user


@requires(Cap.SIGNED_IN)
@require_GET
def my_sign_in(request: DeviceRequest) -> HttpResponse:
    """Show one's own second steps, recovery codes and sign-ins."""
    user = _user(request)
    recovery = recovery_of(user)
    others = live_sign_ins(clock.now()).filter(user=user).exclude(pk=request.sign_in.pk)
    factors = factors_of(user)
    context = {
        "factors": factors,
        "kinds": {one.kind for one in factors},
        "recovery": recovery,
        "codes_left": len(recovery.wrap().get_unused_codes()) if recovery else 0,
        "needed": needs_second_step(user, None, frozenset()),
        "missing": second_step_missing(user, None, frozenset(), request.sign_in),
        "waived": settings.SECOND_STEP_WAIVED,
        "passkeys": passkeys_work(request),
        "here": request.sign_in,
        "others": others,
        "locks": locks_shown(user),
    }
    return render(request, "people/second_step/mine.html", context)


@requires(Cap.SIGNED_IN)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def totp_new(request: DeviceRequest) -> HttpResponse:
    """Show the secret for an authenticator app, and take its first code."""
    user, adapter = _user(request), get_adapter()
    if _OFFERED not in request.session:
        request.session[_OFFERED] = adapter.encrypt(generate_totp_secret())
    secret = adapter.decrypt(request.session[_OFFERED])
    form = TotpForm(posted(request))

    def write() -> object:
        password_again(user=user, password=form.cleaned_data["password"], actor=request.actor)
        made = totp_add(
            user=user, secret=secret, code=form.cleaned_data["code"], sign_in=request.sign_in,
            actor=request.actor,
        )  # fmt: skip
        request.session.pop(_OFFERED, None)
        return made

    url = adapter.build_totp_url(user, secret)
    context = {
        "drawing": adapter.build_totp_svg(url), "secret": " ".join(secret[at : at + 4] for at in range(0, len(secret), 4)),
        "url": url, "cancel": reverse("my_sign_in"),
    }  # fmt: skip
    return answer_form(
        request, form=form, template="people/second_step/totp.html", write=write,
        done=lambda _made: reverse("recovery_codes"), context=context,
        message="One-time codes are your second step from now on.",
    )  # fmt: skip


@requires(Cap.SIGNED_IN)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def passkey_new(request: DeviceRequest) -> HttpResponse:
    """Have the browser make a passkey, and take it."""
    if not passkeys_work(request):
        raise Http404("Passkeys do not work under this address.")
    user = _user(request)
    form = PasskeyForm(posted(request))

    def write() -> object:
        password_again(user=user, password=form.cleaned_data["password"], actor=request.actor)
        return passkey_add(
            user=user, name=form.cleaned_data["name"], credential=form.cleaned_data["credential"],
            sign_in=request.sign_in, actor=request.actor,
        )  # fmt: skip

    return answer_form(
        request, form=form, template="people/second_step/passkey.html", write=write,
        done=lambda _made: reverse("recovery_codes"), message="The passkey is added.",
        context={"cancel": reverse("my_sign_in"), "options": _Options(user)},
    )  # fmt: skip


class _Options:
    """What the browser makes a passkey from; a new challenge each time a page with it is shown, and only then."""

    def __init__(self, user: User) -> None:
        self._user = user

    def data(self) -> dict[str, object]:
        """Return the options, whose challenge the session keeps."""
        made: dict[str, object] = begin_registration(self._user, passwordless=True)
        return made


@requires(Cap.SIGNED_IN)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def factor_drop(request: DeviceRequest, factor: int) -> HttpResponse:
    """Remove one of one's own second steps."""
    user = _user(request)
    found = next((one for one in factors_of(user) if one.pk == factor), None)
    if found is None:
        raise Http404("You have no such second step.")
    form = PasswordAgain(posted(request))

    def write() -> object:
        password_again(user=user, password=form.cleaned_data["password"], actor=request.actor)
        return factor_remove(user=user, factor=factor, sign_in=request.sign_in, actor=request.actor)

    return answer_form(
        request, form=form, template="people/second_step/remove.html", write=write,
        done=lambda _none: reverse("my_sign_in"), message="Removed. You are signed out everywhere but here.",
        context={"factor": found, "cancel": reverse("my_sign_in")},
    )  # fmt: skip


@requires(Cap.SIGNED_IN)
@require_GET
def recovery_codes(request: DeviceRequest) -> HttpResponse:
    """Show new recovery codes until their owner says that they are kept; after that only how many are left."""
    found = recovery_of(_user(request))
    if found is None:
        return redirect("my_sign_in")
    codes = found.wrap()
    left = codes.get_unused_codes()
    shown = [] if codes.did_view else [f"{c[:4]} {c[4:8]} {c[8:]}" for c in left]
    if request.GET.get("as") == "text" and shown:
        return _codes_file(shown, _user(request))
    context = {"codes": shown, "left": len(left)}
    return render(request, "people/second_step/recovery.html", context)


def _codes_file(codes: list[str], user: User) -> HttpResponse:
    lines = [
        f"Studylab: recovery codes of {user.email}. Each counts once, in place of the second step.",
        "",
        *codes,
        "",
    ]
    answer = HttpResponse("\r\n".join(lines), content_type="text/plain; charset=utf-8")
    answer.headers["Content-Disposition"] = 'attachment; filename="studylab-recovery-codes.txt"'
    return answer


@requires(Cap.SIGNED_IN)
@require_POST
def recovery_kept(request: DeviceRequest) -> HttpResponse:
    """Take the word that the codes are kept elsewhere."""
    recovery_codes_kept(user=_user(request), actor=request.actor)
    messages.success(request, "Nobody is shown these codes again, you included.")
    return redirect("home_site")


@requires(Cap.SIGNED_IN)
@sensitive_post_parameters()
@require_http_methods(["GET", "POST"])
def recovery_renew(request: DeviceRequest) -> HttpResponse:
    """Make new recovery codes."""
    user = _user(request)
    form = PasswordAgain(posted(request))

    def write() -> object:
        password_again(user=user, password=form.cleaned_data["password"], actor=request.actor)
        return recovery_codes_renew(user=user, sign_in=request.sign_in, actor=request.actor)

    return answer_form(
        request, form=form, template="people/second_step/renew.html", write=write,
        done=lambda _made: reverse("recovery_codes"),
        context={"cancel": reverse("my_sign_in")},
    )  # fmt: skip
