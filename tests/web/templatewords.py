"""Finds the words of a template that stand outside the catalogue, on every path through it."""

import re
from collections.abc import Iterator

from jinja2 import Environment, nodes

SAID_IN_ATTRIBUTES = re.compile(r'\b(?:aria-label|title|placeholder|alt)="([^"]*)"')
SAYING = re.compile(r'\b(?:aria-label|title|placeholder|alt)="[^"]*$')
TAG = re.compile(r"<!--.*?-->|<[^>]*>", re.S)
# Their contents are no words: names of keys, and what is written in a language of machines.
MACHINE = re.compile(r"<(kbd|code|script|style)\b.*?</\1>", re.S)
WORD = re.compile(r"[^\W\d_]{2,}")
CALLED = {"_", "gettext", "ngettext", "can"}


def words_outside(environment: Environment, source: str) -> list[str]:
    """Return the texts a reader would see that no translator does."""
    tree = environment.parse(source)
    markup, constants = _laid_out(tree)
    said = SAID_IN_ATTRIBUTES.findall(markup)
    said += TAG.sub("\n", MACHINE.sub("", markup)).split("\n")
    bare = [re.sub(r"&\w+;", "", text).strip() for text in said]
    return [text for text in bare if WORD.search(text)] + constants + list(_kept(tree))


def _laid_out(tree: nodes.Template) -> tuple[str, list[str]]:
    """Return the markup of a template, and the literal texts that are put between its tags.

    What is computed leaves a mark in the markup that holds no letter.
    """
    markup, constants = "", []
    for output in tree.find_all(nodes.Output):
        for node in output.nodes:
            if isinstance(node, nodes.TemplateData):
                markup += node.data
                continue
            inside = markup.rfind("<") > markup.rfind(">")
            if not inside or SAYING.search(markup):
                constants += _printed(node)
            markup += "\x00"
    return markup, constants


def _kept(tree: nodes.Template) -> Iterator[str]:
    """Yield the literal texts that a template keeps under a name, or goes through."""
    for kind, field in ((nodes.For, "iter"), (nodes.Assign, "node")):
        for found in tree.find_all(kind):
            yield from (text for text in _printed(getattr(found, field)) if _reads(text))


def _printed(node: nodes.Node) -> Iterator[str]:
    """Yield the literal texts that an expression may come to."""
    match node:
        case nodes.Const(value=str(text)):
            if WORD.search(text) and not text.startswith("/"):
                yield text
        case nodes.CondExpr():
            yield from _all(node.expr1, node.expr2)
        case nodes.Filter(name="join" | "default", args=args):
            yield from _all(node.node, *args)
        case nodes.Filter():
            yield from _all(node.node)
        case nodes.Concat() | nodes.Tuple() | nodes.List():
            yield from _all(*getattr(node, "nodes", getattr(node, "items", [])))
        case nodes.Dict():
            yield from _all(*(pair.value for pair in node.items))
        case nodes.Or() | nodes.And() | nodes.Add():
            yield from _all(node.left, node.right)
        case nodes.Getitem():
            yield from _all(node.node)
        case nodes.Call():
            name = node.node.name if isinstance(node.node, nodes.Name) else ""
            if name not in CALLED:
                yield from (text for text in _all(*node.args) if _reads(text))


def _all(*parts: nodes.Node | None) -> Iterator[str]:
    for part in parts:
        if part is not None:
            yield from _printed(part)


def _reads(text: str) -> bool:
    """Whether a text handed on is one to be read, not the name of a thing."""
    return " " in text or text[:1].isupper()
