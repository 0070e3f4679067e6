"""Checks the clause `conventional mg/dL decimals 0`: the unit a site may be shown results in."""

from fractions import Fraction

from verifier.facts.presentation import Presentation
from verifier.language import kinds, tree
from verifier.language.findings import Findings
from verifier.language.kinds import Kind
from verifier.language.source import Span

_LOINC_FIX = "report as LOINC 29265-6, conventional LOINC 18281-6"


def presentation(
    clause: tree.Conventional | None, kind: Kind, findings: Findings
) -> Presentation | None:
    """Return how numbers of a kind are shown in the conventional unit, None without one.

    What can not be converted is noted.
    """
    if clause is None or kind.what == "broken":
        return None
    target = kinds.number(clause.unit.text)
    if target is None:
        findings.add(
            "R202", clause.unit.span, f"{clause.unit.text!r} is not a unit",
            meaning="units are UCUM and case sensitive.", fix="conventional mg/dL decimals 0",
        )  # fmt: skip
        return None
    ratio = _ratio(kind, target, clause, findings)
    return Presentation.of(target.unit, clause.decimals, ratio) if ratio else None


def _ratio(
    kind: Kind, target: Kind, clause: tree.Conventional, findings: Findings
) -> Fraction | None:
    span, named = clause.unit.span, kinds.shown(kind)
    if kind.is_titer or not kind.unit:
        meaning, fix = "it has no unit that could be converted.", "delete the line"
        _note(findings, span, f"{named} has no conventional unit", meaning, fix)
        return None
    if not kind.dimension and target.unit != kind.unit and "mol" in kind.unit + target.unit:
        meaning = "HbA1c in mmol/mol and in % are connected by an equation with an offset, not by a"
        meaning += " factor (NGSP and IFCC)."
        _note(findings, span, f"{named} is not shown in {target.unit}", meaning, "delete the line")
        return None
    ratio = kinds.ratio(kind, target)
    if ratio is None:
        meaning = "only units of one dimension convert, and mass and amount with a molar mass."
        fix = "molar mass 180.156 g/mol" if _lacks_mass(kind, target) else ""
        _note(findings, span, f"{named} can not be converted to {target.unit}", meaning, fix)
    return ratio


def _lacks_mass(kind: Kind, target: Kind) -> bool:
    return kind.molar_mass is None and {dict(k.dimension).get("mol") for k in (kind, target)} == {
        1, None,
    }  # fmt: skip


def _note(findings: Findings, span: Span, message: str, meaning: str, fix: str) -> None:
    findings.add("R212", span, message, meaning=meaning, fix=fix)


def check_report(item: tree.Derive, kind: Kind, findings: Findings) -> None:
    """Note a conventional code without its unit, and a LOINC code that would name another unit.

    LOINC keeps mass and amount concentration apart (its property is MCnc or SCnc).
    """
    code, other, clause = item.report, item.conventional_report, item.conventional
    if other and not clause:
        findings.add(
            "R106", other.span, "there is no conventional unit to go with this code",
            fix="conventional mg/dL decimals 1",
        )  # fmt: skip
    target = kinds.number(clause.unit.text) if clause else None
    if target is None or code is None or other or code.system != "LN":
        return
    if "mol" in dict(kind.dimension).keys() ^ dict(target.dimension).keys():
        findings.add(
            "R106", code.span, "this report has no LOINC code for the conventional unit",
            meaning="LOINC has one code for the mass and another for the amount of a substance.",
            fix=_LOINC_FIX,
        )  # fmt: skip
