"""The sealer of what people hold for their sign-in, under a key derived from the site's own."""

import hmac
from base64 import urlsafe_b64encode

from cryptography.fernet import Fernet
from django.conf import settings


def sealer() -> Fernet:
    """Return what seals secrets of second steps: AES-128 with HMAC-SHA-256."""
    key = hmac.digest(settings.SECRET_KEY.encode(), b"studylab second steps 1", "sha256")
    return Fernet(urlsafe_b64encode(key))
