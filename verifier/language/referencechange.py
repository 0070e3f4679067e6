"""The reference change value: how far two results of one person differ by chance alone.

The symmetric form: √2 · Z · √(CVA² + CVI²) percent of the earlier result, where CVA is the
analytical and CVI the within-subject variation in percent, and Z that of the level, two-sided
(Harris and Yasaka, Clin Chem 1983;29:25; from memory).
"""

from decimal import Decimal

from verifier.language import tree
from verifier.language.findings import Findings
from verifier.language.scene import ARITHMETIC

# As the literature rounds them, so that a limit is the one a procedure prints.
LEVELS = {Decimal(95): Decimal("1.96"), Decimal(99): Decimal("2.58")}


def reference_change(node: tree.ReferenceChange, findings: Findings) -> Decimal | None:
    """Return the reference change value in percent, or note what is wrong with its numbers."""
    parts = (node.analytical, node.within_subject, node.level)
    wrong = next((part for part in parts if part.unit != "%" or part.value > 1000), None)
    if wrong is not None:
        findings.add(
            "R203", wrong.span, "rcv takes percentages",
            meaning="both variations are coefficients of variation, in percent.",
            fix="rcv(analytical 1.6 %, within-subject 4.6 %, 95 %)",
        )  # fmt: skip
        return None
    z = LEVELS.get(node.level.value)
    if z is None:
        findings.add(
            "R209", node.level.span, "the level of rcv is 95 % or 99 %",
            fix="rcv(analytical 1.6 %, within-subject 4.6 %, 95 %)",
        )  # fmt: skip
        return None
    squares = sum((part.value * part.value for part in parts[:2]), Decimal(0))
    return ARITHMETIC.multiply(z, ARITHMETIC.sqrt(2 * squares))
