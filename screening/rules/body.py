"""What hardly changes in a person: a jump asks whether the same person is here (field case F-16).

How far two careful measurements of one adult lie apart is common practice, without a source; both numbers are proposals.
"""

HEIGHT_CM = 4.0  # standing height, by another person and another rod
GIRTH_CM = 3.0  # middle of the upper arm


def body_jump(what: str, before: float | None, now: float | None, most: float) -> str:
    """Return the question that two measurements in cm raise, "" when they fit or one is not known."""
    if before is None or now is None or abs(now - before) <= most:
        return ""
    return f"{what} was {before:g} cm before and is {now:g} cm now. Is this the same person? Check the identity again."
