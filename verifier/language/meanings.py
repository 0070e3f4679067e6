"""What an expression says, whatever the place it stands at."""

from dataclasses import is_dataclass, replace
from typing import Any

from verifier.language import tree


def meaning(part: Any, test: str) -> Any:
    """Return an expression without its place; `result` is the test it stands for."""
    if isinstance(part, tree.TheResult):
        return ("Name", test)
    if isinstance(part, tree.History | tree.Preceding) and part.test is None:
        part = replace(part, test=test)
    if isinstance(part, tuple):
        return tuple(meaning(item, test) for item in part)
    if not is_dataclass(part):
        return part
    names = [name for name in part.__dataclass_fields__ if name != "span"]
    return (type(part).__name__, *(meaning(getattr(part, name), test) for name in names))
