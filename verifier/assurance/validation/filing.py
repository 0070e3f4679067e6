"""Puts the validation file together: summary, what is not tested, then everything there is."""

from verifier.assurance.validation import executed, means, rulepart, tests
from verifier.assurance.validation.evidence import CAUTIONS, Evidence, several
from verifier.assurance.validation.requirements import TITLE, requirements
from verifier.assurance.validation.standing import Standing
from verifier.documents.document import (
    Block,
    Cell,
    Document,
    Pairs,
    Paragraph,
    Points,
    Section,
    Signatures,
)

_UNSAID = "________________________________________"
_ROLES = (
    "Made and reviewed by (rule author)",
    "Reviewed by (technical or section supervisor)",
    "Approved for use by (laboratory director or designee)",
)


def validation_file(evidence: Evidence) -> Document:
    """Return the validation file; the same evidence always gives the same document."""
    standing = Standing(evidence)
    identity = standing.program.identity
    return Document(
        title="Validation file of a rule set for the automatic release of results",
        subtitle=evidence.laboratory or "Laboratory not named",
        made=evidence.made,
        foot=f"rule set {identity}",
        first=_first(standing),
        sections=tuple(_sections(standing)),
    )


def _first(standing: Standing) -> tuple[Block, ...]:
    evidence, program = standing.evidence, standing.program
    held = (
        f"{several(len(program.catalogue.tests), 'test')}, "
        f"{several(len(standing.limits), 'limit')}, "
        f"{several(len(standing.derived), 'derived result')}, "
        f"{several(len(program.rules), 'rule')}, "
        f"{several(len(program.scenarios), 'scenario')}, "
        f"{several(len(program.guarantees), 'guarantee')}"
    )
    pairs: tuple[tuple[str, Cell | str], ...] = (
        ("Laboratory", evidence.laboratory or _UNSAID),
        ("Rule set", Cell(program.identity, "code")),
        ("Read from", evidence.origin or "not said"),
        ("It holds", held),
        ("Program", f"verifier {evidence.version}"),
        ("Made", evidence.made.strftime("%Y-%m-%d %H:%M %Z")),
        ("Made by", evidence.made_by or _UNSAID),
        ("Shown in", f"{evidence.units} units"),
    )
    return (
        Pairs(pairs),
        Paragraph("Look at this before you sign", "strong"),
        Points(tuple(standing.first_looks())),
        executed.coverage_table(standing),
        Paragraph(CAUTIONS, "strong"),
    )


def _sections(standing: Standing) -> list[Section]:
    evidence = standing.evidence
    made = [
        Section("Purpose, and how it was made", means.purpose(evidence), new_page=True),
        executed.not_passed(standing),
    ]
    rest = [
        means.site(standing),
        tests.tests(standing),
        tests.derived(standing),
        rulepart.rules(standing),
        executed.scenarios(standing),
        executed.edges(standing),
        executed.coverage(standing),
        executed.mistakes(standing),
        means.guarantees(standing),
        Section("Replay over stored history", means.further(evidence.replay)),
        Section("Approvals and activations", means.further(evidence.approvals)),
        means.remarks(standing),
        Section("Signatures", _signing(standing), new_page=True),
    ]
    titles = [section.title for section in [*made, _PLACE, *rest]]
    return [*made, requirements(standing, titles), *rest]


_PLACE = Section(TITLE)


def _signing(standing: Standing) -> tuple[Block, ...]:
    return (
        Paragraph(
            "The signatures below are about the rule set with this identity and no other. A change "
            "of a limit, a rule or a site's value gives another identity, and needs another file."
        ),
        Paragraph(standing.program.identity, "code"),
        Signatures(_ROLES),
    )
