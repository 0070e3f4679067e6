"""Every library the program needs is pinned, and under a licence that lets a laboratory use it.

The licences were read in the metadata of the pinned releases. What is known against a release by
now is not in this tree: see `pip-audit` in deploy/README.md.
"""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

TOP = Path(__file__).parents[1]
# By words of a licence expression, a licence field or a classifier.
FINE = re.compile(
    r"MIT|BSD|Apache|PSF|Python Software Foundation|MPL|Mozilla|ISC|Unlicense|CC0|LGPL|"
    r"Lesser General Public",
    re.IGNORECASE,
)
NOT_FINE = re.compile(r"AGPL|Affero|(?<!L)GPL-|(?<!Lesser )General Public License", re.IGNORECASE)


def canonical(name: str) -> str:
    """The one spelling of a name (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pins() -> dict[str, str]:
    lines = (TOP / "requirements.lock").read_text().splitlines()
    matches = [re.fullmatch(r"([A-Za-z0-9._-]+)==([^\s;]+)", line) for line in lines]
    assert all(matches), "one exact version per line"
    return {canonical(found[1]): found[2] for found in matches if found}


def needed() -> dict[str, metadata.Distribution]:
    """What the program needs, and what that needs, as installed here."""
    project = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    left = [Requirement(text) for text in project["dependencies"]]
    found: dict[str, metadata.Distribution] = {}
    while left:
        one = left.pop()
        applies = one.marker is None or any(
            one.marker.evaluate({"extra": extra}) for extra in ("", *one.extras)
        )
        key = canonical(one.name)
        if not applies or (key in found and not one.extras):
            continue
        found[key] = metadata.distribution(one.name)
        for text in found[key].requires or ():
            inner = Requirement(text)
            asked = ("", *one.extras)
            if inner.marker is None or any(inner.marker.evaluate({"extra": e}) for e in asked):
                inner.marker = None
                left.append(inner)
    return found


NEEDED = needed()


def test_what_is_needed_is_found() -> None:
    assert {"sqlalchemy", "psycopg-binary", "starlette", "argon2-cffi-bindings"} <= NEEDED.keys()


@pytest.mark.parametrize("name", sorted(NEEDED))
def test_it_is_pinned(name: str) -> None:
    assert name in pins(), f"{name} is needed and not in requirements.lock"


@pytest.mark.parametrize("name", sorted(NEEDED))
def test_its_licence_is_known_and_fine(name: str) -> None:
    about = NEEDED[name].metadata
    classifiers = [one for one in about.get_all("Classifier") or () if one.startswith("License")]
    field = (about.get("License") or "").splitlines()[:1]
    said = " / ".join([about.get("License-Expression") or "", *field, *classifiers])
    assert FINE.search(said), f"{name}: {said!r}"
    assert not NOT_FINE.search(said), f"{name}: {said!r}"
