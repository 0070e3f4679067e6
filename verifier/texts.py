"""Texts that one room writes and another says in the language of a reader."""


def mark(text: str) -> str:
    """Return a text as it is; the catalogue of the page lists it, and the page says it later."""
    return text
