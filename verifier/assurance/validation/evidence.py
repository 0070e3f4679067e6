"""What a validation file is made from, and the words its parts share."""

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.assurance.killing import Verdict
from verifier.assurance.suite import SuiteRun
from verifier.documents.document import Block
from verifier.language.diagnostics import Diagnostic

CAUTIONS = (
    "Not a medical device by itself. The shipped limits are examples with their sources. The "
    "laboratory validates its rules, its director approves them, and local law and accreditation "
    "decide."
)


class Further(Struct, frozen=True):
    """Evidence that another part of the program gives: proofs, a replay, approvals.

    `standing` is what the summary says of it in a few words, `look` that a director must look at
    it first. `wrong` names what speaks against the rule set outright, such as a refuted guarantee.
    """

    standing: str
    blocks: tuple[Block, ...] = ()
    look: bool = True
    wrong: tuple[str, ...] = ()


NOT_PROVED = Further("not proved: not run")
NOT_REPLAYED = Further("not replayed: not run")
NOT_APPROVED = Further(
    "no approval and no activation on record: this file was made from a folder of rule files"
)


class Evidence(Struct, frozen=True):
    """Everything a validation file tells.

    `tested` was run with the `parameters` of the site (name to value, as the configuration sets
    them). `verdicts` are what became of `mistakes` small mistakes; both are None where none were
    put in. `findings` are the remarks of the checker. `made_by` and `laboratory` are "" where
    nobody said.
    """

    tested: SuiteRun
    findings: tuple[Diagnostic, ...]
    made: datetime
    version: str
    made_by: str = ""
    laboratory: str = ""
    origin: str = ""
    units: Literal["SI", "conventional"] = "SI"
    parameters: Mapping[str, str] = {}
    verdicts: tuple[Verdict, ...] | None = None
    mistakes: int = 0
    seed: int = 0
    proofs: Further = NOT_PROVED
    replay: Further = NOT_REPLAYED
    approvals: Further = NOT_APPROVED


def counted(covered: int, of: int) -> str:
    """Return a count as it is; there is no percentage, so nothing is ever rounded up."""
    return f"{covered} of {of}"


def several(count: int, one: str, more: str = "") -> str:
    """Return a count with its word."""
    return f"{count} {one if count == 1 else more or one + 's'}"
