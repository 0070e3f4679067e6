"""What one ion of a test carries, so that mEq/L of it is mmol/L: told by its LOINC code.

Ions of charge 1 only, where equivalents and moles are the same number.
"""

from collections.abc import Iterable

from verifier.language import tree

# Sodium, potassium, chloride, lithium, bicarbonate and total carbon dioxide, in serum or plasma, by
# LOINC (Regenstrief Institute).
_MONOVALENT = {
    "2951-2", "2823-3", "2075-0", "14334-7", "3719-2", "1963-8", "1962-0", "2028-9"
}  # fmt: skip


def charge_of(codes: Iterable[tree.Code]) -> int | None:
    """Return 1 where a code names an ion of charge 1, else None: equivalents are then refused."""
    return 1 if any(code.system == "LN" and code.code in _MONOVALENT for code in codes) else None
