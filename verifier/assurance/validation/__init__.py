"""The validation file of a rule set: what it says, and what of it was executed."""

from verifier.assurance.validation.evidence import Evidence, Further
from verifier.assurance.validation.filing import validation_file

__all__ = ["Evidence", "Further", "validation_file"]
