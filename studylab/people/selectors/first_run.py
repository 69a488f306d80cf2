"""Whether this site still waits for its first account."""

from studylab.people.models import SetUpCode, User


def is_first_run() -> bool:
    """Whether nobody has an account yet, open or closed."""
    return not User.objects.exists()


def newest_code() -> SetUpCode | None:
    """Return the code that counts; an older one is void as soon as another was printed."""
    return SetUpCode.objects.order_by("-id").first()
