"""Facts as they are shown: name, value with unit, time, source. Only asked for with a reason."""

from datetime import datetime
from decimal import Decimal

from verifier.facts.case import Result
from verifier.facts.values import TITER, Between
from verifier.facts.verdicts import Fact
from verifier.language import tree
from verifier.language.comparing import Run
from verifier.language.earlier import Past
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


def _fact(name: str, value: str, unit: str, at: datetime | None = None, source: str = "") -> Fact:
    """Return a fact; the ``1:`` of a titer stands in its value."""
    return Fact(name, value, "" if unit == TITER else unit, at, source)


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
        text = number_text(value, decimals, kind.unit)
        return _fact(title, text, kind.unit, _time_of(scene, result), source)

    return FactOf(name, show)


def the_result(symbols: Symbols, test: str) -> FactOf:
    """Return the fact of the result being judged."""
    title, decimals, kind = symbols.title(test), symbols.decimals(test), symbols.kinds[test]

    def show(scene: Scene) -> Fact | None:
        if isinstance(scene.result, Unknown):
            return Fact(title, "not known")
        result = scene.results.get(test)
        text = number_text(scene.result, decimals, kind.unit)
        return _fact(title, text, kind.unit, _time_of(scene, result), _origin(result))

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


def summary_fact(past: Past, function: str, run: Run, title: str, decimals: int | None) -> FactOf:
    """Return the lowest, highest or median of the earlier results of a window as a fact."""
    name = f"{function} earlier {title}"

    def show(scene: Scene) -> Fact | None:
        found = past.within(scene)
        if isinstance(found, Unknown):
            return Fact(name, "none")
        many = f"of {len(found)} within {past.words}"
        value = number_text(run(scene), decimals, past.unit)
        return _fact(name, value, past.unit, source=many)

    return FactOf(f"earlier {title}, {function} within {past.words}", show)


def past_fact(past: Past, title: str, decimals: int | None, unit: str) -> FactOf:
    """Return the newest earlier result of a window as a fact."""

    def show(scene: Scene) -> Fact | None:
        found = past.within(scene)
        if isinstance(found, Unknown):
            return Fact(f"earlier {title}", "none")
        value = number_text(past.previous(scene), decimals, unit)
        return _fact(f"earlier {title}", value, unit, found[0].collected, found[0].specimen)

    return FactOf(f"earlier {title}", show)
