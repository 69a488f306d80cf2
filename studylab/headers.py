"""Headers that every answer carries, whatever view it comes from."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

# Where the parts of a page may come from (W3C Content Security Policy): from here only, and nothing inline.
SOURCES = {
    "default-src": ["'none'"],
    "script-src": ["'self'"],
    "style-src": ["'self'"],
    "img-src": ["'self'", "data:"],  # Bootstrap's own icons are data: images
    "font-src": ["'self'"],
    "connect-src": ["'self'"],
    "manifest-src": ["'self'"],
    "worker-src": ["'self'"],
    "form-action": ["'self'"],
    "base-uri": ["'none'"],
    "frame-ancestors": ["'none'"],
}

# What a page uses itself: the screen stays awake while a wait runs, a link is copied for a volunteer.
_OWN = ("clipboard-write", "screen-wake-lock")
_NEVER = (
    "accelerometer", "browsing-topics", "camera", "clipboard-read", "display-capture",
    "encrypted-media", "geolocation", "gyroscope", "hid", "idle-detection", "local-fonts", "magnetometer",
    "microphone", "midi", "payment", "picture-in-picture", "serial", "usb", "xr-spatial-tracking",
)  # fmt: skip
PERMISSIONS = ", ".join([*(f"{name}=(self)" for name in _OWN), *(f"{name}=()" for name in _NEVER)])


class PermissionsMiddleware:
    """Tell the browser which of its powers our pages may use (W3C Permissions Policy)."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS)
        return response
