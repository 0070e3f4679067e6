"""The report of a yield: as plain data, as Markdown, and as lines for a terminal."""

from collections.abc import Iterator, Sequence
from typing import Any

from verifier.assurance.yield_count import Counts, FaultRecord, RuleRecord, Share

_RULE_HEAD = ("rule", "fired", "right", "wrong", "wrong alone", "not judged", "missed", "left")
_FAULT_HEAD = (
    "fault", "specimens", "results", "beyond allowable", "of these released", "critical",
    "of these released", "held by",
)  # fmt: skip
_SHARE_HEAD = ("of", "results", "released", "share")
_MOST_RULES = 3  # named per fault
_MOST_SLIPS = 20  # shown as lines; --json gives all


def as_json(counts: Counts) -> dict[str, Any]:
    """Return everything as plain data."""
    return {
        "messages": counts.messages,
        "refused": counts.refused,
        "results": _share(counts.all),
        "specimens": _share(counts.whole),
        "tests": {name: _share(item) for name, item in sorted(counts.by_test.items())},
        "classes": {name: _share(item) for name, item in sorted(counts.by_class.items())},
        "specimens_by_class": {
            name: _share(item) for name, item in sorted(counts.whole_by_class.items())
        },
        "rules": {name: _rule(item) for name, item in sorted(counts.rules.items())},
        "faults": {name: _fault(item) for name, item in counts.faults.items()},
        "slips": [vars(item) for item in counts.slips],
    }


def as_markdown(counts: Counts) -> str:
    """Return three tables: shares, rules, faults."""
    return "\n".join(_lines(counts, _markdown_table))


def as_text(counts: Counts) -> str:
    """Return the same tables for a terminal, with the first results that slipped through."""
    lines = list(_lines(counts, _text_table))
    if counts.slips:
        lines += ["", f"Released with critical consequence, {len(counts.slips)} results:"]
    for item in counts.slips[:_MOST_SLIPS]:
        lines.append(
            f"  message {item.message}, {item.patients}: {item.test} {item.reported} "
            f"instead of {item.true} ({', '.join(item.kinds)})"
        )
    if len(counts.slips) > _MOST_SLIPS:
        lines.append(f"  and {len(counts.slips) - _MOST_SLIPS} more, see --json")
    return "\n".join(lines)


def _lines(counts: Counts, table: Any) -> Iterator[str]:
    yield _summary(counts)
    yield ""
    yield from table(_SHARE_HEAD, _share_rows(counts))
    yield ""
    yield from table(_RULE_HEAD, _rule_rows(counts))
    yield ""
    yield from table(_FAULT_HEAD, _fault_rows(counts))


def _summary(counts: Counts) -> str:
    refused = f", {counts.refused} could not be read" if counts.refused else ""
    return (
        f"{counts.messages} messages{refused}. Released without a person: "
        f"{counts.all.percent:.1f} % of {counts.all.judged} results, "
        f"{counts.whole.percent:.1f} % of {counts.whole.judged} specimens in full. "
        f"Results released with critical consequence: {len(counts.slips)}."
    )


def _share_rows(counts: Counts) -> Iterator[tuple[str, ...]]:
    yield _share_row("all results", counts.all)
    yield _share_row("whole specimens", counts.whole)
    for name, item in sorted(counts.by_class.items()):
        yield _share_row(name or "class not given", item)
    for name, item in sorted(counts.by_test.items(), key=lambda pair: pair[1].percent):
        yield _share_row(name, item)


def _share_row(name: str, item: Share) -> tuple[str, ...]:
    return name, str(item.judged), str(item.released), f"{item.percent:.1f} %"


def _rule_rows(counts: Counts) -> Iterator[tuple[str, ...]]:
    for name, item in sorted(counts.rules.items(), key=lambda pair: -pair[1].wrong_alone):
        numbers = (item.fired, item.right, item.wrong, item.wrong_alone, item.unjudged)
        yield name, *map(str, (*numbers, item.missed, item.left))


def _fault_rows(counts: Counts) -> Iterator[tuple[str, ...]]:
    for name, item in counts.faults.items():
        rules = ", ".join(rule for rule, _ in item.rules.most_common(_MOST_RULES))
        numbers = (item.specimens, item.results, item.beyond, item.beyond_released)
        yield name, *map(str, (*numbers, item.critical, item.critical_released)), rules


def _markdown_table(head: Sequence[str], rows: Iterator[tuple[str, ...]]) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield f"|{'|'.join('---' if at == 0 else '---:' for at in range(len(head)))}|"
    for row in rows:
        yield f"| {' | '.join(row)} |"


def _text_table(head: Sequence[str], rows: Iterator[tuple[str, ...]]) -> Iterator[str]:
    table = [tuple(head), *rows]
    widths = [max(len(row[at]) for row in table) for at in range(len(head))]
    for row in table:
        first, *rest = (
            cell.ljust(width) if at == 0 or not cell[:1].isdigit() else cell.rjust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join([first, *rest]).rstrip()


def _share(item: Share) -> dict[str, Any]:
    return {
        "judged": item.judged,
        "released": item.released,
        "percent": round(item.percent, 2),
    }


def _rule(item: RuleRecord) -> dict[str, int]:
    return {**vars(item), "wrong": item.wrong}


def _fault(item: FaultRecord) -> dict[str, Any]:
    return {**vars(item), "rules": dict(item.rules.most_common())}
