"""Control levels made ready to be shown and taken away: the form filled, the values as a file."""

import csv
import io
from collections.abc import Mapping, Sequence

from verifier.store.qualityrows import ControlLevel, ControlResult
from verifier.web.monthview import plain

# The first of them are those that `verifier quality import` reads.
VALUES = (
    "at", "test", "analyzer", "material", "lot", "level", "value", "unit", "run", "specimen",
    "mean", "sd", "basis", "verdict", "rules", "left_out", "left_out_by", "left_out_why", "note",
)  # fmt: skip


def filled(levels: Sequence[ControlLevel], like: int) -> Mapping[str, str]:
    """Return what stands in the form: the level numbered `like`, but for what must be new.

    The next level of the same lot and the same level of the next lot are both near it.
    """
    for level in levels:
        if level.id == like:
            return {
                "test": level.test, "analyzer": level.analyzer, "material": level.material,
                "lot": level.lot, "level": "", "mark": "", "unit": level.unit, "mean": "",
                "sd": "", "expires": f"{level.expires:%Y-%m-%d}" if level.expires else "",
            }  # fmt: skip
    return dict.fromkeys(
        ("test", "analyzer", "material", "lot", "level", "mark", "unit", "mean", "sd", "expires"),
        "",
    )


def values_csv(level: ControlLevel, results: Sequence[ControlResult]) -> str:
    """Return every measurement of a level as CSV, oldest first."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(VALUES)
    for each in results:
        number = ("" if n is None else n for n in (each.mean, each.sd))
        cells = (
            each.at.isoformat(), each.test, each.analyzer, level.material, each.lot, level.level,
            "" if each.value is None else each.value, each.unit, each.run, each.specimen, *number,
            each.basis, each.verdict, " ".join(each.rules),
            each.left_out.isoformat() if each.left_out else "", each.left_out_by,
            each.left_out_why, each.note,
        )  # fmt: skip
        writer.writerow([plain(cell) if isinstance(cell, str) else cell for cell in cells])
    return out.getvalue()
