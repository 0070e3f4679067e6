"""Collects what the checker finds, each thing once, with its place in the file as written."""

from collections.abc import Iterable

from verifier.language.diagnostics import MEANT, Diagnostic, Severity, listing, nearest
from verifier.language.source import Source, Span


class Findings:
    """Diagnostics of one check; the order of asking does not matter, the report is sorted."""

    def __init__(self, sources: dict[str, Source]) -> None:
        self._sources = sources
        self._found: dict[tuple[str, Span, str], Diagnostic] = {}
        self.asked = 0  # how often something was noted, the same thing again included

    def add(
        self,
        code: str,
        span: Span,
        message: str,
        *,
        meaning: str = "",
        fix: str = "",
        severity: Severity = "error",
        related: Iterable[Span] = (),
    ) -> None:
        """Note one finding; the same thing at the same place is noted once."""
        self.asked += 1
        place = self._sources[span.file].place(span)
        also = tuple(self.where(other) for other in related)
        self._found.setdefault(
            (code, span, message),
            Diagnostic(code, span.file, *place, severity, message, meaning, fix, also),
        )

    def unknown_name(self, span: Span, name: str, known: Iterable[str], what: str) -> None:
        """Note a name that is not declared, with the one that was probably meant."""
        known = list(known)
        close = nearest(name, known)
        meant = MEANT.get(name.lower(), "") if "population" in what else ""
        self.add(
            "R201",
            span,
            f"there is no {what} {name!r}",
            meaning=f"known: {listing(known)}.",
            fix=f"did you mean {close}?" if close else meant,
        )

    def where(self, span: Span) -> str:
        """Return a place as ``file:line``, with the line's text."""
        source = self._sources[span.file]
        line = source.place(span).line
        return f"{span.file}:{line} {source.lines[line - 1].strip()}"

    def words(self, span: Span) -> str:
        """Return the text of a span as written."""
        return " ".join(self._sources[span.file].masked[span.start : span.end].split())

    @property
    def has_errors(self) -> bool:
        """Whether anything found forbids using the rule set."""
        return any(item.severity == "error" for item in self._found.values())

    def report(self) -> tuple[Diagnostic, ...]:
        """Return everything found, by place."""
        return tuple(
            sorted(
                self._found.values(),
                key=lambda item: (item.file, item.line, item.column, item.code, item.message),
            )
        )
