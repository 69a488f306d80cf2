"""A large site made out of the small demonstration: its volunteers are copied, in SQL, into further studies.

The story's own study stays as it is. Everything else is multiplied from its rows with new ids, people, codes and
times, under the database's own guards; what is sealed, signed or hashed is made anew for each copy.
"""
