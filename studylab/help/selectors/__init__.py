"""Part of the help."""
