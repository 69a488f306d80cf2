"""What a browser calls itself, in words that its owner knows. Pure. It proves nothing: browsers say what they like."""

_PROGRAMS = (("Edg/", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("FxiOS/", "Firefox"), ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"), ("Safari/", "Safari"))  # fmt: skip
_MACHINES = (("iPad", "iPad"), ("iPhone", "iPhone"), ("Android", "Android"), ("Windows", "Windows"), ("CrOS", "ChromeOS"),
    ("Mac OS X", "Mac"), ("Linux", "Linux"))  # fmt: skip


def browser_words(user_agent: str) -> str:
    """Return for example "Firefox on Windows"; "" when it says nothing that is known."""
    program = next((name for sign, name in _PROGRAMS if sign in user_agent), "")
    machine = next((name for sign, name in _MACHINES if sign in user_agent), "")
    return " on ".join(word for word in (program, machine) if word)
