"""Decide: from what the rules say of a case to what leaves, what waits, what is held."""
