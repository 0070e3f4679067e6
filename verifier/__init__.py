"""Decides for every laboratory result whether it may leave without a person looking."""

__version__ = "0.1.0"
