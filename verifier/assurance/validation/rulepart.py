"""The rules, each with what it does, where it comes from, and what was seen of it."""

from collections.abc import Iterator

from verifier.assurance.coverage import Item
from verifier.assurance.telling import missing_lines, where
from verifier.assurance.validation.evidence import counted, several
from verifier.assurance.validation.standing import Standing
from verifier.assurance.validation.wording import statement_text
from verifier.documents.document import Block, Cell, Pairs, Paragraph, Points, Section
from verifier.language import tree


def rules(standing: Standing) -> Section:
    """Return a section for each rule."""
    sections = tuple(
        Section(rule.name.text, tuple(_of_rule(standing, rule))) for rule in standing.rules
    )
    about = Paragraph(
        "Rules only add reasons to hold. The order of rules has no meaning, and no rule releases "
        "what another holds. Built-in safeguards hold besides, and no rule can switch them off: a "
        "result that is unreadable, of an unknown test or without a usable unit, a specimen or "
        "patient that is not identified, a test no rule covers, a rule that failed, a correction "
        "of what has left, verification suspended, a test not in control, a status that is not "
        "final, an analyzer flag that is not mapped."
    )
    return Section("Rules", (about,), sections, new_page=True)


def _of_rule(standing: Standing, rule: tree.Rule) -> Iterator[Block]:
    name = rule.name.text
    yield Points(tuple(standing.sentences.of(rule)))
    fires = _scenarios(standing, name, fired=True)
    silent = _scenarios(standing, name, fired=False)
    about = [n for n in silent if name in _named(standing, n)]
    others = len(silent) - len(about)
    also = f"and {others} that are not about it" if about else several(others, "scenario")
    silent_text = "\n".join([*about, also]) if silent else ""
    items = _parts(standing, rule)
    covered = sum(item.covered for item in items)
    yield Pairs(
        (
            ("source", _sourced(rule.source)),
            ("stands in", where(rule.name.span, standing.sources)),
            ("fires in scenarios", "\n".join(fires) or Cell("none", "bad")),
            ("asked and silent in", silent_text or Cell("none", "bad")),
            ("conditions covered", Cell(
                f"{counted(covered, len(items))} (each part true, false and unknown)",
                "" if covered == len(items) else "bad",
            )),
        )
    )  # fmt: skip
    left = missing_lines((item for item in items if not item.covered), standing.sources)
    missing = tuple(Cell(f"not covered: {words}: {told}", "bad") for _, words, told in left)
    if missing:
        yield Points(missing)
    yield Paragraph(statement_text(standing.sources, rule.span), "code")


def _sourced(source: str) -> Cell | str:
    doubtful = not source or "no source" in source or "from memory" in source
    return Cell(source or "no source is given", "strong") if doubtful else source


def _scenarios(standing: Standing, rule: str, *, fired: bool) -> list[str]:
    pairs = zip(standing.tested.ran, standing.tested.touched, strict=True)
    return [
        ran.scenario.name for ran, touched in pairs
        if rule in (touched.fired if fired else touched.silent)
    ]  # fmt: skip


def _named(standing: Standing, scenario: str) -> set[str]:
    (found,) = (ran.scenario for ran in standing.tested.ran if ran.scenario.name == scenario)
    return {expected.rule for step in found.steps for expected in step.expected}


def _parts(standing: Standing, rule: tree.Rule) -> list[Item]:
    span = rule.span
    return [
        item
        for item in standing.tested.coverage.items
        if item.place.file == span.file and span.start <= item.place.start < span.end
    ]
