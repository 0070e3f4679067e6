"""Assurance: what a rule set is expected to do, run through the real decision. Pure."""
