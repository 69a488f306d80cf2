"""The password hash of demonstrations."""

from django.contrib.auth.hashers import PBKDF2PasswordHasher


class DemonstrationHasher(PBKDF2PasswordHasher):
    """PBKDF2 with few rounds, for passwords that are public anyway. Never used in production."""

    algorithm = "pbkdf2_demonstration"
    iterations = 10_000
