"""Renders a document as one HTML file that needs nothing else: no script, no other file."""

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from verifier.documents import charting
from verifier.documents.document import Block, Chart, Document, cell, numbered, signs


def as_html(document: Document) -> str:
    """Return a document as one standalone HTML page, readable in light, in dark and printed."""
    page = _environment().get_template("document.html")
    return page.render(document=document, sections=numbered(document.sections))


def as_fragment(blocks: tuple[Block, ...]) -> Markup:
    """Return blocks as HTML to stand in another page; it carries no style of its own."""
    macros = _environment().get_template("blocks.html").module
    return Markup("").join(macros.block(item) for item in blocks)  # type: ignore[attr-defined]


def _environment() -> Environment:
    found = Environment(
        loader=PackageLoader("verifier.documents"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_visible,
    )
    found.globals["cell"] = cell
    found.globals["kind"] = lambda item: type(item).__name__
    found.globals["svg"] = _svg
    return found


def _visible(value: object) -> object:
    return signs(value) if type(value) is str else value


def _svg(chart: Chart) -> Markup:
    return Markup(charting.as_svg(chart))  # noqa: S704 - numbers of ours; every text is escaped
