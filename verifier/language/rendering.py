"""One finding in three forms: for a terminal, as plain values for JSON, and as HTML."""

from collections.abc import Mapping, Sequence
from html import escape
from typing import Any, NamedTuple

from verifier.language.diagnostics import CODES, Diagnostic

_LONG_MARK = 40  # beyond this the message would run out of sight


class Excerpt(NamedTuple):
    """The line a finding stands in: what is before, under and behind the mark."""

    before: str
    marked: str
    after: str


def render(finding: Diagnostic, source_lines: Sequence[str], color: bool = False) -> str:
    """Return the finding as text for a terminal; `source_lines` are the lines of its file."""
    paint = _Paint(color)
    severity = "" if finding.severity == "error" else f" ({finding.severity})"
    place = visible(f"{finding.file}:{finding.line}:{finding.column}")
    out = [f"{paint.bold(place)}   {paint.bold(finding.code)}{severity}   {CODES[finding.code]}"]
    excerpt = excerpt_of(finding, source_lines)
    out += _marked(finding, excerpt, paint) if excerpt else [f"  {visible(finding.message)}"]
    out += [f"  {label:<15} {text}" for label, text in labelled(finding)]
    return "\n".join(out)


def labelled(finding: Diagnostic) -> list[tuple[str, str]]:
    """Return what is said below the message, each with its label."""
    said = [("What it means", finding.meaning), ("Try", finding.fix)]
    said += [("Also seen", text) for text in finding.related]
    said.append(("More", more(finding)))
    return [(label, visible(text)) for label, text in said if text]


def visible(text: str) -> str:
    """Return a text with every sign that can not be seen replaced by one that can.

    Such signs could turn the direction of a line or command a terminal.
    """
    return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


def more(finding: Diagnostic) -> str:
    """Return the command that prints the page of a finding."""
    return f"verifier explain {finding.code}"


def excerpt_of(finding: Diagnostic, source_lines: Sequence[str]) -> Excerpt | None:
    """Return the line a finding stands in, None where it stands in no line with words."""
    if not 0 < finding.line <= len(source_lines) or not source_lines[finding.line - 1].strip():
        return None
    line = visible(source_lines[finding.line - 1].rstrip("\r").replace("\t", " "))
    start = finding.column - 1
    end = max(start + 1, min(finding.end - 1, len(line)))
    return Excerpt(line[:start], line[start:end], line[end:])


def _marked(finding: Diagnostic, excerpt: Excerpt, paint: "_Paint") -> list[str]:
    number, message = str(finding.line), visible(finding.message)
    margin = " " * len(number)
    marks = "^" * max(1, len(excerpt.marked))
    before = " " * (finding.column - 1)
    shown = [f"{number:>4} | {''.join(excerpt)}"]
    if len(marks) <= _LONG_MARK:
        return [*shown, f"{margin:>4} | {before}{paint.mark(f'{marks} {message}')}"]
    return [*shown, f"{margin:>4} | {before}{paint.mark(marks)}", f"  {message}"]


class _Paint:
    """Terminal emphasis, or none."""

    def __init__(self, color: bool) -> None:
        self._on = color

    def bold(self, text: str) -> str:
        return f"\x1b[1m{text}\x1b[0m" if self._on else text

    def mark(self, text: str) -> str:
        return f"\x1b[35m{text}\x1b[0m" if self._on else text


def as_json(finding: Diagnostic, source_lines: Sequence[str]) -> dict[str, Any]:
    """Return the finding as plain values; `text` is the line it stands in, as written."""
    line = source_lines[finding.line - 1] if finding.line <= len(source_lines) else ""
    return {
        "code": finding.code,
        "title": CODES[finding.code],
        "severity": finding.severity,
        "file": finding.file,
        "line": finding.line,
        "column": finding.column,
        "end": finding.end,
        "text": line.rstrip("\r"),
        "message": finding.message,
        "meaning": finding.meaning,
        "fix": finding.fix,
        "related": list(finding.related),
        "more": more(finding),
    }


def as_html(finding: Diagnostic, source_lines: Sequence[str]) -> str:
    """Return the finding as a piece of HTML: classes only, no style and no script of its own."""
    place = escape(visible(f"{finding.file}:{finding.line}:{finding.column}"))
    out = [
        f'<article class="finding {finding.severity}" id="{place}">',
        f"<h2><code>{place}</code> <b>{finding.code}</b> {escape(CODES[finding.code])}"
        f" <i>{finding.severity}</i></h2>",
    ]
    excerpt = excerpt_of(finding, source_lines)
    if excerpt:
        before, marked, after = map(escape, excerpt)
        out.append(f"<pre>{before}<mark>{marked or ' '}</mark>{after}</pre>")
    out.append(f"<p>{escape(visible(finding.message))}</p>")
    out.append("<dl>")
    out += [f"<dt>{label}</dt><dd>{escape(text)}</dd>" for label, text in labelled(finding)]
    return "\n".join([*out, "</dl>", "</article>"])


_STYLE = (
    "body{font:1rem/1.5 sans-serif;max-width:60rem;margin:2rem auto;padding:0 1rem}"
    "h2{font-size:1rem}pre{overflow:auto;padding:.5rem;border:1px solid}"
    "dl{display:grid;grid-template-columns:max-content 1fr;gap:0 1rem}dd{margin:0}"
)


def html_page(
    title: str, findings: Sequence[Diagnostic], lines: Mapping[str, Sequence[str]]
) -> str:
    """Return all findings as one HTML page that needs nothing else; `lines` by file."""
    shown = [as_html(finding, lines.get(finding.file, ())) for finding in findings]
    return "\n".join(
        [
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            f"<title>{escape(title)}</title>\n<style>{_STYLE}</style>\n</head>\n<body>",
            f"<h1>{escape(title)}</h1>",
            *(shown or ["<p>Nothing was found.</p>"]),
            "</body>\n</html>",
        ]
    )
