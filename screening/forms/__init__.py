"""Forms of screening: questions, readings, sign-off."""
