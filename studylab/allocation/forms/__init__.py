"""Forms of the dispensary and of code opening. They parse; services decide."""
