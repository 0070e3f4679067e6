"""Purpose, the site's values, guarantees, and what other parts of the program found."""

from verifier.assurance.validation.evidence import CAUTIONS, Evidence, Further
from verifier.assurance.validation.standing import Standing
from verifier.documents.document import Block, Cell, Column, Paragraph, Points, Section, Table
from verifier.language import tree

_PURPOSE = (
    "This file describes one set of rules by which a program decides, for every result of a "
    "laboratory, whether it may leave without a person looking at it, and shows what was executed "
    "to test them. A result leaves only if every condition that could hold it is known to be "
    "false: what is missing, unreadable or unknown holds."
)
_METHOD = (
    "Everything said to be executed was executed while this file was made, by the same code that "
    "decides in service, on the rule set with the identity at the foot of each page.",
    "A scenario is a case written down with the decision that is expected. The laboratory writes "
    "them; they are independent of the rules only as far as their authors were.",
    "For every edge of every limit the program makes a case just below, at and just above it, by "
    "one step of the last decimal reported. What must follow is worked out from the words of the "
    "limit, not from the compiled table.",
    "Coverage counts which rules fired and were silent, which parts of conditions were seen true, "
    "false and unknown, and which edges were run. Counts are whole numbers; nothing is rounded.",
    "Where small mistakes were put into the rules one at a time, the file says which of them no "
    "scenario and no edge case noticed.",
    "What was not run is said to be not run. Nothing in this file passes by default.",
)


def purpose(evidence: Evidence) -> tuple[Block, ...]:
    """Return what the file is for, and how it was made."""
    return (
        Paragraph(_PURPOSE),
        Paragraph(CAUTIONS, "strong"),
        Paragraph("How it was made", "strong"),
        Points(_METHOD),
        Paragraph(
            "Not in this file, and for the laboratory to add: the verification of the interface "
            "from analyzer to report, of the methods and their measuring intervals, the training "
            "of people, and the review after a time in service."
        ),
    )


def site(standing: Standing) -> Section:
    """Return the numbers a site may set, with those that count here."""
    values = standing.evidence.parameters
    rows = tuple(
        (
            item.name,
            f"{item.value} {item.unit}".strip(),
            Cell("set by this site", "strong") if item.name in values else "as the rules give it",
            item.source,
        )
        for item in standing.program.parameters
    )
    columns = (Column("parameter", 3), Column("value", 1.4), Column("set by", 1.6),
               Column("source", 5))  # fmt: skip
    table = Table(columns, rows, empty="This rule set has no parameters.")
    return Section("Values a site may set", (table,))


def guarantees(standing: Standing) -> Section:
    """Return the guarantees, and what was proved of them."""
    rows = tuple(
        (item.name.text, "\n".join(standing.sentences.of(item)), item.source or "not said")
        for item in standing.program.statements
        if isinstance(item, tree.Guarantee)
    )
    columns = (Column("guarantee", 3), Column("says", 5), Column("source", 3))
    table = Table(columns, rows, empty="This rule set gives no guarantees.")
    return Section("Guarantees and proofs", (table, *further(standing.evidence.proofs)))


def further(item: Further) -> tuple[Block, ...]:
    """Return what another part of the program found, or that it was not run."""
    standing = item.standing[:1].upper() + item.standing[1:]
    return (Paragraph(f"{standing}.", "bad" if item.look else "strong"), *item.blocks)


def remarks(standing: Standing) -> Section:
    """Return what the checker remarked."""
    rows = tuple(
        (f"{item.file}:{item.line}", item.code, item.severity, f"{item.message}. {item.meaning}")
        for item in standing.evidence.findings
    )
    columns = (Column("place", 2.4), Column("code"), Column("kind"), Column("remark", 6))
    return Section("Remarks of the checker", (Table(columns, rows, empty="none"),))
