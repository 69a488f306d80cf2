"""Keys derived from the site's own secret, the newest first; older ones still open what was made under them."""

import hmac

from django.conf import settings


def site_keys(purpose: str) -> tuple[bytes, ...]:
    """Return the keys for one purpose: that of STUDYLAB_SECRET_KEY, then those of the keys before it.

    Whatever is made is made under the first; what is shown may be of any.
    """
    secrets = (settings.SECRET_KEY, *settings.SECRET_KEY_FALLBACKS)
    return tuple(hmac.digest(one.encode(), purpose.encode(), "sha256") for one in secrets)
