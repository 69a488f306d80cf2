"""What an account and an electronic signature mean here: the house's written policy, accepted with every role. Pure.

A change of these lines is another policy: its digest, kept with each acceptance, says which one somebody accepted.
"""

from hashlib import sha256

ACCOUNT_RULES = (
    "It is one person’s. Nobody else uses it, and you use nobody else’s, not for a minute and not on a shared tablet.",
    "What you record carries your name. Your electronic signature here binds you like one by hand, and you answer for "
    "what is done under it.",
    "Lock the screen or sign out when you leave it. If somebody may know your password, change it and tell the study "
    "lead at once.",
    "You look only at what your work needs. What you learn about volunteers stays in the study.",
)
RULES_DIGEST = sha256("\n".join(ACCOUNT_RULES).encode()).hexdigest()

# How whoever invites knows who a person is, before that person can sign anything.
IDENTITY = {
    "known": "I know this person by face and name",
    "document": "I saw an identity document",
    "confirmed": "The employer or university confirmed who this is",
}
NOT_ASKED = "not_asked"  # of invitations made before it was asked
