"""The house's rule for new passwords, where Django asks for rules: one place for every way to set one."""

from django.core.exceptions import ValidationError

from studylab.people.models import User
from studylab.people.rules.passwords import ALONE, as_hashed, guessable, length_problem
from studylab.people.selectors.second_step import password_minimum


class HouseValidator:
    """Length by whether a second step is always asked for, and no names of the site or the person."""

    def validate(self, password: str, user: User | None = None) -> None:
        """Raise ValidationError with the reason."""
        text = as_hashed(password)
        minimum = ALONE
        words: tuple[str, ...] = ()
        if isinstance(user, User):
            minimum = password_minimum(user)
            words = (*user.name.split(), user.email, *user.email.replace("@", ".").split("."))
        if problem := length_problem(text, minimum) or guessable(text, words):
            raise ValidationError(problem, code="house")

    def get_help_text(self) -> str:
        """Return the rule in words."""
        return f"At least {ALONE} signs of any kind, fewer where a second step is always asked for."
