"""The language of a request: its texts, and how it writes numbers, times and sizes.

English stands in the code and is the key of each text (gettext); `locale/verifier.pot` lists every
text there is, and a file `locale/LANGUAGE.po` beside it translates them. Which language a request
gets is chosen by `choose`, and holds for everything done for it.
"""

import gettext
import io
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from babel import Locale
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal, format_percent
from jinja2 import Environment

from verifier.errors import RefusedError

FOLDER = Path(__file__).parent / "locale"
SOURCE = "en"  # what the code is written in


@dataclass(frozen=True)
class Tongue:
    """A language with its texts, and a place whose habits of writing numbers and times count."""

    locale: Locale
    texts: gettext.NullTranslations = field(default_factory=gettext.NullTranslations)

    @property
    def tag(self) -> str:
        """The language of the texts, as HTML and HTTP name it."""
        return str(self.locale.language)


def _english() -> Tongue:
    return Tongue(Locale.parse("en_GB"))


_current: ContextVar[Tongue | None] = ContextVar("tongue", default=None)


def current() -> Tongue:
    """Return the language of what is being done."""
    return _current.get() or _english()


@contextmanager
def speaking(tongue: Tongue) -> Iterator[None]:
    """Use a language inside the block."""
    before = _current.set(tongue)
    try:
        yield
    finally:
        _current.reset(before)


@cache
def tongue_of(tag: str) -> Tongue:
    """Return the language of a tag such as ``en-GB``; its texts are English where none are kept."""
    locale = Locale.parse(tag, sep="-")
    path = FOLDER / f"{locale.language}.po"
    if not path.exists():
        return Tongue(locale)
    compiled = io.BytesIO()
    with path.open("rb") as file:
        write_mo(compiled, read_po(file, locale=locale.language))
    compiled.seek(0)
    return Tongue(locale, gettext.GNUTranslations(compiled))


def choose(offered: tuple[str, ...], wished: str) -> Tongue:
    """Return the first language somebody wishes for (Accept-Language) that is offered.

    Where none is, the first of those offered.
    """
    for wish in _wishes(wished):
        for tag in offered:
            if tag.lower() == wish or tag.lower().split("-")[0] == wish.split("-")[0]:
                return tongue_of(tag)
    return tongue_of(offered[0])


def _wishes(header: str) -> list[str]:
    """Return the languages of an Accept-Language header, most wished first (RFC 9110, 12.5.4)."""
    found = []
    for at, item in enumerate(header.split(",")):
        name, _, weight = item.strip().partition(";q=")
        try:
            wish = float(weight or 1)
        except ValueError:
            continue
        if name and wish > 0:
            found.append((-wish, at, name.lower()))
    return [name for *_, name in sorted(found)]


def say(text: str, **values: object) -> str:
    """Return a text in the language of the request; ``%(name)s`` in it are filled in."""
    said = current().texts.gettext(text)
    return said % values if values else said


def told(error: Exception) -> str:
    """Return what an error says; a refusal in the language of the request."""
    return say(error.text, **error.values) if isinstance(error, RefusedError) else str(error)


def say_count(one: str, many: str, count: int, **values: object) -> str:
    """Return the form of a text that fits a count, which is also ``%(num)s`` in it."""
    said = current().texts.ngettext(one, many, count)
    return said % {"num": number(count), **values}


def number(value: float) -> str:
    """Return a number as the language writes it: ``1,234``."""
    return str(format_decimal(value, locale=current().locale))


def percent(part: float) -> str:
    """Return a part of one as percent: ``87.5%``. Only none is 0% and only all is 100%."""
    if 0 < part < 1:
        part = min(max(round(part, 3), 0.001), 0.999)
    return str(format_percent(part, locale=current().locale, decimal_quantization=False))


def seconds(value: float) -> str:
    """Return a time in the unit that suits it: ``< 1 s``, ``40 s``, ``12.5 min``, ``3.2 h``."""
    if value < 1:
        return "< 1 s"
    units = ((100, 1, "s"), (6_000, 60, "min"), (172_800, 3_600, "h"), (math.inf, 86_400, "d"))
    _, length, unit = next(each for each in units if value < each[0])
    shown = value / length
    digits = "#,##0.0" if unit != "s" else "#,##0"
    return f"{format_decimal(shown, digits, locale=current().locale)} {unit}"


def size(count: int) -> str:
    """Return a number of bytes in a unit that suits it (IEC 80000-13: 1 MiB is 2²⁰ bytes)."""
    value, units = float(count), iter(("B", "KiB", "MiB", "GiB", "TiB"))
    unit = next(units)
    while value >= 1024 and unit != "TiB":
        value, unit = value / 1024, next(units)
    pattern = "#,##0" if unit == "B" else "#,##0.0"
    return f"{format_decimal(value, pattern, locale=current().locale)} {unit}"


_FILTERS: Mapping[str, Callable[..., str]] = {
    "number": number, "percent": percent, "seconds": seconds, "bytes": size,
}  # fmt: skip


def add_catalogue(environment: Environment) -> None:
    """Give templates ``_()``, ``{% trans %}`` and the filters that write numbers."""
    environment.add_extension("jinja2.ext.i18n")
    environment.policies["ext.i18n.trimmed"] = True  # line breaks of a template mean nothing
    extended: Any = environment
    extended.install_gettext_callables(
        lambda text: current().texts.gettext(text),
        lambda one, many, count: current().texts.ngettext(one, many, count),
        newstyle=True,
    )
    environment.filters.update(_FILTERS)
    environment.globals["tongue"] = current
