"""A morning of an invented laboratory, played against the real service."""
