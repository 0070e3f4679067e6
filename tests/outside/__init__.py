"""Checks of the shipped rule set against the world outside: papers, tables, data sets, libraries."""
