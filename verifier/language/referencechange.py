"""The reference change value: how far two results of one person differ by chance alone.

The symmetric form: √2 · Z · √(CVA² + CVI²) percent of the earlier result, where CVA is the
analytical and CVI the within-subject variation in percent, and Z that of the level, two-sided or
one-sided (Harris and Yasaka, Clin Chem 1983;29:25; from memory).

The log-normal form: with CV² = CVA² + CVI² and σ = √ln(1 + CV²), results differ by at most the
factor exp(√2 · Z · σ), up as well as down (Fokkema et al., Clin Chem 2006;52:1602; Lund et al., Ann
Clin Biochem 2015;52:237; both from memory).
"""

from decimal import Context, Decimal

from verifier.language import tree
from verifier.language.findings import Findings
from verifier.language.scene import ARITHMETIC

# As the literature rounds them, so that a limit is the one a procedure prints.
LEVELS = {Decimal(95): Decimal("1.96"), Decimal(99): Decimal("2.58")}
ONE_SIDED = {Decimal(95): Decimal("1.645"), Decimal(99): Decimal("2.326")}
_WIDE = Context(prec=50)
_EXAMPLE = "rcv(analytical 1.6 %, within-subject 4.6 %, 95 %)"


def reference_change(node: tree.ReferenceChange, findings: Findings) -> Decimal | None:
    """Return the reference change value in percent, or note what is wrong with its numbers."""
    z = _z(node, findings)
    if z is None:
        return None
    squares = _squares(node)
    return ARITHMETIC.multiply(z, ARITHMETIC.sqrt(2 * squares))


def reference_factor(node: tree.ReferenceChange, findings: Findings) -> Decimal | None:
    """Return the log-normal reference change as a factor, or note what is wrong with it."""
    z = _z(node, findings)
    if z is None:
        return None
    variance = _WIDE.ln(1 + _WIDE.divide(_squares(node), Decimal(10_000)))
    return ARITHMETIC.plus(_WIDE.exp(_WIDE.multiply(z, _WIDE.sqrt(2 * variance))))


def percent_up_and_down(factor: Decimal) -> tuple[Decimal, Decimal]:
    """Return how many percent of the earlier value a factor is, as a rise and as a fall."""
    up = ARITHMETIC.multiply(factor - 1, Decimal(100))
    return up, ARITHMETIC.divide(up, factor)


def _squares(node: tree.ReferenceChange) -> Decimal:
    parts = (node.analytical.value, node.within_subject.value)
    return sum((part * part for part in parts), Decimal(0))


def _z(node: tree.ReferenceChange, findings: Findings) -> Decimal | None:
    parts = (node.analytical, node.within_subject, node.level)
    wrong = next((part for part in parts if part.unit != "%" or part.value > 1000), None)
    if wrong is not None:
        findings.add(
            "R203", wrong.span, "rcv takes percentages",
            meaning="both variations are coefficients of variation, in percent.", fix=_EXAMPLE,
        )  # fmt: skip
        return None
    z = (ONE_SIDED if node.one_sided else LEVELS).get(node.level.value)
    if z is None:
        findings.add("R209", node.level.span, "the level of rcv is 95 % or 99 %", fix=_EXAMPLE)
    return z
