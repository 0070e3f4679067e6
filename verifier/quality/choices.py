"""The control rules a laboratory may choose from, and the choices their definitions leave open.

The rules are those of Westgard JO, Barry PL, Hunt MR, Groth T, A multi-rule Shewhart chart for
quality control in clinical chemistry, Clin Chem 1981;27:493-501, with the 8x and 12x variants of
later practice.
"""

from fractions import Fraction
from typing import Literal, TypeAlias

from msgspec import Struct

from verifier.texts import mark

RuleName: TypeAlias = Literal["1-2s", "1-3s", "2-2s", "R-4s", "4-1s", "8x", "10x", "12x"]
Spread: TypeAlias = Literal["one beyond each side", "range"]
Severity: TypeAlias = Literal["warning", "rejection"]

# How many measurements a rule looks at; one with fewer before it has not been tried.
NEEDED: dict[RuleName, int] = {
    "1-2s": 1, "1-3s": 1, "2-2s": 2, "R-4s": 2, "4-1s": 4, "8x": 8, "10x": 10, "12x": 12,
}  # fmt: skip

MEANINGS: dict[RuleName, str] = {
    "1-2s": mark("one value beyond 2 SD"),
    "1-3s": mark("one value beyond 3 SD"),
    "2-2s": mark("two values in a row beyond 2 SD on the same side"),
    "R-4s": mark("two values of one run far apart"),
    "4-1s": mark("four values in a row beyond 1 SD on the same side"),
    "8x": mark("eight values in a row on one side of the mean"),
    "10x": mark("ten values in a row on one side of the mean"),
    "12x": mark("twelve values in a row on one side of the mean"),
}


class Choices(Struct, frozen=True):
    """What a laboratory decides about its control rules.

    `warn` and `reject` are the rules in use. With `inclusive` a value exactly on a limit counts as
    beyond it; a value exactly on the mean never belongs to a side. `spread` picks the definition of
    R-4s: one value beyond +2 SD and one beyond −2 SD of the same run, or a range above 4 SD.
    `across` are the rules also tried over all levels together: 2-2s within a run, the others along
    the runs. With `after_warning` the rejecting rules are tried only in a run with a value beyond
    2 SD, as in the manual procedure of 1981.
    """

    warn: tuple[RuleName, ...] = ("1-2s",)
    reject: tuple[RuleName, ...] = ("1-3s", "2-2s", "R-4s", "4-1s", "10x")
    inclusive: bool = False
    spread: Spread = "one beyond each side"
    across: tuple[RuleName, ...] = ("2-2s",)
    after_warning: bool = False


class Measurement(Struct, frozen=True):
    """One control measurement: `z` is (value − mean) / SD, exact.

    Measurements of one `run` belong together. Nothing looks back over a change of `epoch` (a
    corrective action), and a level is looked at lot by lot.
    """

    level: str
    run: str
    z: Fraction
    lot: str = ""
    epoch: int = 0


class Violation(Struct, frozen=True):
    """A rule that measurement `at` breaks, together with the `points` before it, itself last."""

    rule: RuleName
    severity: Severity
    at: int
    points: tuple[int, ...]
