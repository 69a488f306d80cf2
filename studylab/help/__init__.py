"""Help for each page and each role, and what this program is made of."""
