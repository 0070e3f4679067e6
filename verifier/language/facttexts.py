"""Facts as they are shown: name, value with unit, time, source. Only asked for with a reason."""

from datetime import datetime
from decimal import Decimal

from verifier.facts.case import Result
from verifier.facts.values import TITER, Between
from verifier.facts.verdicts import Fact
from verifier.language import tree
from verifier.language.comparing import Run, shown_text
from verifier.language.earlier import Past
from verifier.language.kinds import Kind
from verifier.language.scene import Quantity, Scene, between_text, plain
from verifier.language.symbols import Symbols
from verifier.language.truth import Unknown
from verifier.language.typed import FactOf


def number_text(value: Quantity, decimals: int | None, unit: str = "") -> str:
    """Return a value for people; digits that only conversion made are cut two places further on."""
    if isinstance(value, Between):
        return between_text(value)
    if not isinstance(value, Decimal):
        return "not known"
    exponent = value.as_tuple().exponent
    if decimals is not None and isinstance(exponent, int) and -exponent > decimals + 2:
        value = round(value, decimals + 2)
    return plain(value, unit)


def with_unit(value: str, unit: str) -> str:
    """Return a value and its unit; UCUM annotations such as ``{index}`` are not shown."""
    return value if not unit or unit.startswith(("{", TITER)) else f"{value} {unit}"


def quantity_fact(
    name: str,
    value: Quantity,
    kind: Kind,
    decimals: int | None,
    at: datetime | None = None,
    source: str = "",
) -> Fact:
    """Return a value as a fact, in the unit the site is shown.

    The ``1:`` of a titer stands in its value.
    """
    present = kind.present
    if present and not isinstance(value, Unknown):
        return Fact(name, shown_text(value, present), present.unit, at, source)
    unit = "" if kind.unit == TITER else kind.unit
    return Fact(name, number_text(value, decimals, kind.unit), unit, at, source)


def told(scene: Scene, name: str, value: Quantity, kind: Kind) -> Quantity:
    """Return a value to convert: a derived result is not converted after it was rounded."""
    return scene.exact.get(name, value) if kind.present else value


def named(symbols: Symbols, name: str) -> FactOf:
    """Return the fact of a test or derived result."""
    title, decimals, kind = symbols.title(name), symbols.decimals(name), symbols.kinds[name]
    derived = symbols.derived.get(name)

    def show(scene: Scene) -> Fact | None:
        value = scene.values[name]
        if isinstance(value, Unknown):
            return Fact(title, "not known")
        result = scene.results.get(name)
        source = _origin(result) if result else f"derived; {derived.source}" if derived else ""
        value = told(scene, name, value, kind)
        return quantity_fact(title, value, kind, decimals, _time_of(scene, result), source)

    return FactOf(name, show)


def the_result(symbols: Symbols, test: str) -> FactOf:
    """Return the fact of the result being judged."""
    title, decimals, kind = symbols.title(test), symbols.decimals(test), symbols.kinds[test]

    def show(scene: Scene) -> Fact | None:
        if isinstance(scene.result, Unknown):
            return Fact(title, "not known")
        result = scene.results.get(test)
        value, at = told(scene, test, scene.result, kind), _time_of(scene, result)
        return quantity_fact(title, value, kind, decimals, at, _origin(result))

    return FactOf(test, show)


def _time_of(scene: Scene, result: Result | None) -> datetime | None:
    return (result.analysed if result else None) or scene.collected


def _origin(result: Result | None) -> str:
    return (result.analyzer or result.connection) if result else ""


def age() -> FactOf:
    """Return the birth date and the day the age was counted on."""

    def show(scene: Scene) -> Fact | None:
        patient = scene.case.patient
        if patient is None or patient.birth is None:
            return Fact("birth date", "not known")
        birth = patient.birth
        exact = birth.earliest == birth.latest
        value = f"{birth.earliest}" if exact else f"{birth.earliest} to {birth.latest}"
        return Fact("birth date", value, source=f"age counted on {scene.birthday_on}")

    return FactOf("age", show)


def sex() -> FactOf:
    """Return the patient's sex as sent (HL7 table 0001)."""

    def show(scene: Scene) -> Fact | None:
        patient = scene.case.patient
        words = {"F": "female", "M": "male"}
        sent = patient.sex if patient else ""
        return Fact("sex", words.get(sent, sent) or "not known")

    return FactOf("sex", show)


def specimen() -> FactOf:
    """Return the specimen type."""
    return FactOf(
        "specimen type",
        lambda scene: Fact("specimen type", scene.case.specimen.type or "not known"),
    )


def attribute(name: str) -> FactOf:
    """Return a coded attribute of the patient or the specimen."""

    def show(scene: Scene) -> Fact | None:
        of_patient = scene.case.patient.attributes if scene.case.patient else {}
        value = of_patient.get(name) or scene.case.specimen.attributes.get(name)
        return Fact(name, value or "not stated")

    return FactOf(name, show)


def amount_parts(amount: tree.Amount) -> tuple[str, str]:
    """Return a number of a rule file and its unit as they are shown."""
    unit = amount.unit or ""
    return plain(amount.value, unit), "" if unit == TITER else unit


def parameter(declared: tree.Parameter) -> FactOf:
    """Return a number the site may set."""
    amount = declared.value
    fact = Fact(declared.name.text, *amount_parts(amount), source=declared.source)
    return FactOf(declared.name.text, lambda scene: fact)


def summary_fact(
    past: Past, function: str, run: Run, title: str, decimals: int | None, kind: Kind
) -> FactOf:
    """Return the lowest, highest or median of the earlier results of a window as a fact."""
    name = f"{function} earlier {title}"

    def show(scene: Scene) -> Fact | None:
        found = past.within(scene)
        if isinstance(found, Unknown):
            return Fact(name, "none")
        many = f"of {len(found)} within {past.words}"
        return quantity_fact(name, run(scene), kind, decimals, source=many)

    return FactOf(f"earlier {title}, {function} within {past.words}", show)


def past_fact(past: Past, title: str, decimals: int | None, kind: Kind) -> FactOf:
    """Return the newest earlier result of a window as a fact."""

    def show(scene: Scene) -> Fact | None:
        found = past.within(scene)
        if isinstance(found, Unknown):
            return Fact(f"earlier {title}", "none")
        return quantity_fact(
            f"earlier {title}", past.previous(scene), kind, decimals, found[0].collected,
            found[0].specimen,
        )  # fmt: skip

    return FactOf(f"earlier {title}", show)
