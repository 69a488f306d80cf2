"""The sealer of what people hold for their sign-in, under a key derived from the site's own."""

from base64 import urlsafe_b64encode

from cryptography.fernet import Fernet, MultiFernet

from studylab.keys import site_keys


def sealer() -> MultiFernet:
    """Return what seals secrets of second steps, AES-128 with HMAC-SHA-256; it opens those sealed under a key of before."""
    return MultiFernet(
        [Fernet(urlsafe_b64encode(key)) for key in site_keys("studylab second steps 1")]
    )
