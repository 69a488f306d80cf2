"""Part of the notices."""
