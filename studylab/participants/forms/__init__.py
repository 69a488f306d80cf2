"""The forms of this app: they parse and coerce; what they lead to is decided by services."""
