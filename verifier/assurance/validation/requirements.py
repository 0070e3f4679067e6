"""What is asked of the validation of automatic release, and where in the file the evidence stands.

The requirements are in words of our own. Clauses are named from memory and must be checked against
the laboratory's own copy of each standard.
"""

from typing import NamedTuple

from verifier.assurance.validation.standing import Standing
from verifier.documents.document import Cell, Column, Paragraph, Section, Table

TITLE = "Requirements, and where the evidence stands"
_ISO = "ISO 15189:2022, 7.4.1.5, from memory"
_CLSI = "CLSI AUTO10-A, from memory"


class Requirement(NamedTuple):
    """One thing that is asked; `sections` are the titles where its evidence stands.

    `left` is what this file does not show, "" where it shows it all.
    """

    asked: str
    where_from: str
    sections: tuple[str, ...]
    left: str = ""


REQUIREMENTS = (
    Requirement(
        "The criteria by which results are selected, reviewed and released are written down and "
        "can be understood by those who answer for them.",
        _ISO,
        ("Tests and limits", "Derived results", "Rules"),
    ),
    Requirement(
        "The criteria are approved by those responsible before they are used.",
        _ISO,
        ("Approvals and activations", "Signatures"),
    ),
    Requirement(
        "The criteria are validated before they are used.",
        f"{_ISO}; {_CLSI}",
        ("Scenarios executed", "Edges executed", "Coverage", "Guarantees and proofs"),
    ),
    Requirement(
        "After a change of the criteria or of the system it is verified again that they work.",
        f"{_ISO}; {_CLSI}",
        ("Replay over stored history", "Approvals and activations"),
        "The identity on each page changes with the meaning of the rules; a change of the program, "
        "the interface or a method is the laboratory's to record.",
    ),
    Requirement(
        "The criteria take in changes from earlier results of the patient, values that a person "
        "must see such as impossible, unusual or critical ones, and interference.",
        f"{_ISO}; {_CLSI}",
        ("Tests and limits", "Rules"),
    ),
    Requirement(
        "Every limit is tested at its edge and on both sides of it.",
        _CLSI,
        ("Edges executed",),
    ),
    Requirement(
        "Every rule is tested both where it must hold and where it must not.",
        _CLSI,
        ("Rules", "Scenarios executed", "Coverage"),
    ),
    Requirement(
        "The state of quality control and the flags of the analyzer bear on the release.",
        f"{_ISO}; {_CLSI}",
        ("Rules", "Guarantees and proofs"),
        "Control rules and flags of each connection are in the configuration of the service.",
    ),
    Requirement(
        "Results that were selected for review can be told, with who reviewed them and when.",
        _ISO,
        (),
        "Not in this file: the audit log of the service has it for each result "
        "(verifier audit export).",
    ),
    Requirement(
        "Results that were released automatically can be told from those a person released.",
        _ISO,
        (),
        "Not in this file: the record of each result says so, and so does the audit log.",
    ),
    Requirement(
        "Automatic release can be suspended at once.",
        f"{_ISO}; {_CLSI}",
        (),
        "Not in this file: the laboratory tries it and writes down when (verifier suspend).",
    ),
    Requirement(
        "The rules are reviewed regularly while they are used.",
        f"{_ISO}; {_CLSI}",
        ("Signatures",),
        "What rules did in service is counted by: verifier rules usage.",
    ),
    Requirement(
        "The evidence is kept, with who made it, when, and for which version.",
        _CLSI,
        ("Purpose, and how it was made", "Signatures"),
    ),
    Requirement(
        "What reaches the report is the value that was judged, from analyzer to reader.",
        f"{_ISO}; {_CLSI}",
        (),
        "Not in this file: the laboratory verifies its interfaces end to end.",
    ),
)


def requirements(standing: Standing, titles: list[str]) -> Section:
    """Return the table of requirements; `titles` are those of the sections, in their order."""
    rows = tuple(
        (
            item.asked,
            item.where_from,
            ", ".join(f"{titles.index(title) + 1} {title}" for title in item.sections) or "none",
            Cell(item.left or _shown(standing, item), "strong" if item.left else ""),
        )
        for item in REQUIREMENTS
    )
    columns = (Column("asked, in our words", 3.2), Column("from", 2), Column("section", 2.4),
               Column("standing", 3))  # fmt: skip
    about = Paragraph(
        "Named from memory: ISO 15189:2022, medical laboratories, requirements for quality and "
        "competence, 7.4.1.5 on automated selection, review, release and reporting; CLSI AUTO10-A "
        "(2006) on autoverification, of which no clause is named. Check them against your own "
        "copy. Whether the evidence is enough is for the laboratory, its director and who inspects "
        "it to say."
    )
    return Section(TITLE, (about, Table(columns, rows)), new_page=True)


def _shown(standing: Standing, item: Requirement) -> str:
    """Return what the evidence shows of a requirement, plainly."""
    evidence, tested = standing.evidence, standing.tested
    said = []
    for title in item.sections:
        match title:
            case "Approvals and activations":
                said.append(evidence.approvals.standing)
            case "Replay over stored history":
                said.append(evidence.replay.standing)
            case "Guarantees and proofs":
                said.append(f"guarantees: {evidence.proofs.standing}")
            case "Scenarios executed":
                passed = sum(ran.passed for ran in tested.ran)
                said.append(f"scenarios that come true: {passed} of {len(tested.ran)}")
            case "Edges executed":
                passed = sum(run.asked and run.passed for run in tested.edges)
                said.append(f"edges as written: {passed} of {len(tested.edges)}")
            case "Coverage":
                items = tested.coverage.items
                covered = sum(item.covered for item in items)
                said.append(f"covered: {covered} of {len(items)}")
            case "Signatures":
                said.append("to be signed")
            case "Tests and limits" | "Rules" | "Derived results":
                said.append(f"shown: {title.lower()}")
            case _:
                said.append("shown")
    return "; ".join(said)
