"""What needs whom among the staff: counted in every page, read or not, escalated when nobody reads it."""
