"""Looks for patients whom no limit row fits, or several: shown as a patient, not as a formula."""

from verifier.language.comparing import Test
from verifier.language.expressions import Expressions


def check_partitions(expressions: Expressions, populations: dict[str, Test]) -> None:
    """Note gaps and overlaps of limit rows over age, sex, specimen and attributes."""
