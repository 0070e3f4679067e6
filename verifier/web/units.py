"""Units as people write them: what UCUM spells for machines, without its braces and brackets."""

import re

_ABOVE = str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻")
_POWER = re.compile(r"\b10[*^](-?\d+)")
_NOTE = re.compile(r"\{([^{}\s]+)\}")  # UCUM section 2.2: an annotation, which has no meaning there
_SQUARE = re.compile(r"\b([a-z]?m)(\d)\b")
_BRACKETS = re.compile(r"\[(IU|pH|Hg|H2O)\]")


def readable(text: str) -> str:
    """Return a unit, or a text that holds some, as it is read.

    ``mL/min/{1.73_m2}`` becomes ``mL/min/1.73 m²``, ``10*9/L`` ``10⁹/L``, ``[iU]/L`` ``IU/L``,
    ``{ratio}`` ``ratio``.
    """
    text = _POWER.sub(lambda found: f"10{found[1].translate(_ABOVE)}", text)
    text = text.replace("[iU]", "IU")
    text = _BRACKETS.sub(r"\1", text)
    return _NOTE.sub(lambda found: _note(found[1]), text)


def _note(inside: str) -> str:
    words = inside.replace("_", " ")
    return _SQUARE.sub(lambda found: found[1] + found[2].translate(_ABOVE), words)
