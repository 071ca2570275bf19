"""The station check: what is looked at, what it may be, what follows from it."""
