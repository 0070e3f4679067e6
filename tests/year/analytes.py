"""The tests of the year: codes, units, intervals, variation, allowable error, with their sources.

Adult reference intervals: sodium to magnesium, phosphate, creatinine, LDH and CK from the
Australasian consensus in Tate, eJIFCC 2016;27:48, Table 3; urea, urate, bilirubin, AST, ALT, ALP,
GGT and amylase from NORIP as published by a Nordic laboratory; albumin, protein, lipids, iron and
transferrin from NORIP from memory (Rustad, SJCLI 2004;64:271); the others common practice.

Within-subject variation: the database of Ricos, as listed by a Nordic laboratory for ALT, AST,
albumin, bilirubin and amylase, from memory otherwise. Analytical variation: common practice, at or
below half of the within-subject variation where methods can (Fraser), no source.

Allowable error: the US acceptance criteria for proficiency testing (Federal Register
2022;87:41194), from memory; where it names none, common practice.
"""

from dataclasses import dataclass, field


@dataclass(frozen=True)
class Mass:
    """How an analyzer in conventional units sends a test: `factor` is SI per conventional unit."""

    code: str
    unit: str
    factor: float
    decimals: int


@dataclass(frozen=True)
class Analyte:
    """One test. `men` and `women` are central 95 % intervals of healthy adults, in `unit`.

    `log` says that the values of a population are log-normal. `within` and `analytical` are
    coefficients of variation in percent, `error` the allowable error: absolute, and relative.
    """

    name: str
    code: str
    title: str
    unit: str
    decimals: int
    men: tuple[float, float]
    women: tuple[float, float]
    within: float
    analytical: float
    measurable: tuple[float, float]
    error: tuple[float, float]
    log: bool = False
    mass: Mass | None = None
    system: str = field(default="LN")


def _of(
    name: str, code: str, title: str, unit: str, decimals: int,
    interval: tuple[float, float] | tuple[tuple[float, float], tuple[float, float]],
    variation: tuple[float, float], measurable: tuple[float, float], error: tuple[float, float],
    *, log: bool = False, mass: Mass | None = None,
) -> Analyte:  # fmt: skip
    men, women = interval if isinstance(interval[0], tuple) else (interval, interval)
    return Analyte(
        name, code, title, unit, decimals, men, women, *variation, measurable, error, log, mass
    )  # type: ignore[arg-type]


def _equivalents(code: str, decimals: int) -> Mass:
    return Mass(code, "mEq/L", 1.0, decimals)


ANALYTES: dict[str, Analyte] = {
    item.name: item
    for item in (
        _of("sodium", "2951-2", "Sodium", "mmol/L", 0, (135, 145), (0.6, 0.8), (80, 200),
            (4.0, 0), mass=_equivalents("2951-2", 0)),
        _of("potassium", "2823-3", "Potassium", "mmol/L", 1, (3.5, 5.2), (4.6, 1.6), (1, 10),
            (0.3, 0), mass=_equivalents("2823-3", 1)),
        _of("chloride", "2075-0", "Chloride", "mmol/L", 0, (95, 110), (1.2, 1.0), (50, 200),
            (0, 0.05), mass=_equivalents("2075-0", 0)),
        _of("bicarbonate", "1963-8", "Bicarbonate", "mmol/L", 0, (22, 32), (4.0, 2.5), (2, 50),
            (0, 0.20), mass=_equivalents("1963-8", 0)),
        _of("urea", "22664-7", "Urea", "mmol/L", 1, ((3.2, 8.1), (2.6, 7.9)), (12.1, 2.4),
            (0.5, 70), (0.71, 0.09), log=True, mass=Mass("3094-0", "mg/dL", 0.356964, 0)),
        _of("creatinine", "14682-9", "Creatinine", "umol/L", 0, ((60, 110), (45, 90)),
            (5.95, 2.2), (10, 2000), (17.7, 0.10), log=True,
            mass=Mass("2160-0", "mg/dL", 88.4017, 2)),
        _of("glucose", "14749-6", "Glucose", "mmol/L", 1, (3.9, 7.8), (5.6, 1.8), (0.3, 50),
            (0.33, 0.08), log=True, mass=Mass("2345-7", "mg/dL", 0.0555074, 0)),
        _of("calcium", "2000-8", "Calcium", "mmol/L", 2, (2.10, 2.60), (2.1, 1.2), (0.5, 5),
            (0.25, 0), mass=Mass("17861-6", "mg/dL", 0.249513, 1)),
        _of("albumin", "61151-7", "Albumin", "g/L", 0, (34, 48), (3.2, 1.3), (10, 70),
            (0, 0.08), mass=Mass("1751-7", "g/dL", 10, 1)),
        _of("total_protein", "2885-2", "Total protein", "g/L", 0, (62, 78), (2.75, 1.3),
            (20, 150), (0, 0.08), mass=Mass("2885-2", "g/dL", 10, 1)),
        _of("magnesium", "2601-3", "Magnesium", "mmol/L", 2, (0.70, 1.10), (3.6, 1.8),
            (0.1, 4), (0, 0.15), mass=Mass("19123-9", "mg/dL", 0.411438, 1)),
        _of("phosphate", "14879-1", "Phosphate", "mmol/L", 2, (0.75, 1.50), (8.15, 2.0),
            (0.1, 6), (0.1, 0.10), mass=Mass("2777-1", "mg/dL", 0.322851, 1)),
        _of("urate", "14933-6", "Urate", "umol/L", 0, ((230, 480), (155, 400)), (8.6, 2.0),
            (20, 1500), (0, 0.10), log=True, mass=Mass("3084-1", "mg/dL", 59.4842, 1)),
        _of("bilirubin", "14631-6", "Bilirubin, total", "umol/L", 0, (5, 25), (21.8, 1.6),
            (2, 700), (6.8, 0.20), log=True, mass=Mass("1975-2", "mg/dL", 17.1036, 1)),
        _of("bilirubin_direct", "14629-0", "Bilirubin, direct", "umol/L", 0, (1, 5), (25, 3),
            (1, 400), (6.8, 0.20), log=True, mass=Mass("1968-7", "mg/dL", 17.1036, 1)),
        _of("alt", "1742-6", "Alanine aminotransferase", "U/L", 0, ((10, 70), (10, 45)),
            (19.4, 2.3), (3, 4000), (6, 0.15), log=True),
        _of("ast", "1920-8", "Aspartate aminotransferase", "U/L", 0, ((15, 45), (15, 35)),
            (12.3, 3.3), (3, 4000), (6, 0.15), log=True),
        _of("alp", "6768-6", "Alkaline phosphatase", "U/L", 0, (35, 105), (6.45, 2.0),
            (5, 3000), (0, 0.20), log=True),
        _of("ggt", "2324-2", "Gamma-glutamyltransferase", "U/L", 0, ((10, 115), (10, 75)),
            (13.4, 2.0), (3, 3000), (5, 0.15), log=True),
        _of("ldh", "2532-0", "Lactate dehydrogenase", "U/L", 0, (120, 250), (8.6, 2.0),
            (20, 5000), (0, 0.15), log=True),
        _of("ck", "2157-6", "Creatine kinase", "U/L", 0, ((45, 250), (30, 150)), (22.8, 2.5),
            (7, 40000), (0, 0.20), log=True),
        _of("amylase", "1798-8", "Amylase", "U/L", 0, (25, 120), (8.7, 2.0), (3, 5000),
            (0, 0.20), log=True),
        _of("lipase", "3040-3", "Lipase", "U/L", 0, (13, 60), (23.1, 2.5), (3, 8000),
            (0, 0.20), log=True),
        _of("cholesterol", "14647-2", "Cholesterol", "mmol/L", 1, (3.3, 6.9), (5.95, 1.5),
            (0.3, 20), (0, 0.10), mass=Mass("2093-3", "mg/dL", 0.0258622, 0)),
        _of("hdl", "14646-4", "HDL cholesterol", "mmol/L", 2, ((0.8, 2.1), (1.0, 2.7)),
            (7.3, 2.0), (0.1, 4), (0.16, 0.20), log=True,
            mass=Mass("2085-9", "mg/dL", 0.0258622, 0)),
        _of("triglyceride", "14927-8", "Triglyceride", "mmol/L", 1, (0.45, 2.6), (19.9, 2.0),
            (0.1, 40), (0, 0.15), log=True, mass=Mass("2571-8", "mg/dL", 0.0112943, 0)),
        _of("iron", "14798-3", "Iron", "umol/L", 0, (9, 34), (26.5, 2.0), (1, 200), (0, 0.15),
            mass=Mass("2498-4", "ug/dL", 0.179067, 0)),
        _of("transferrin", "3034-6", "Transferrin", "g/L", 2, (1.9, 3.3), (3.0, 1.5),
            (0.1, 8), (0, 0.20), mass=Mass("3034-6", "mg/dL", 0.01, 0)),
        _of("ferritin", "2276-4", "Ferritin", "ug/L", 0, ((30, 400), (10, 200)), (14.2, 4.0),
            (3, 40000), (0, 0.20), log=True, mass=Mass("2276-4", "ng/mL", 1, 0)),
        _of("crp", "1988-5", "C-reactive protein", "mg/L", 1, (0.2, 5.0), (42.2, 3.0),
            (0.2, 500), (1, 0.30), log=True),
        _of("lactate", "2524-7", "Lactate", "mmol/L", 1, (0.5, 2.2), (27.2, 2.0), (0.2, 20),
            (0.4, 0.15), log=True),
        _of("troponin", "89579-7", "Troponin I, high sensitivity", "ng/L", 0, (1.0, 20),
            (9.7, 4.0), (2, 50000), (3, 0.30), log=True),
        _of("lithium", "14334-7", "Lithium", "mmol/L", 2, (0.4, 1.0), (10, 2.0), (0.1, 4),
            (0.3, 0.15)),
        _of("digoxin", "14698-5", "Digoxin", "nmol/L", 1, (0.6, 1.8), (12, 3.0), (0.3, 8),
            (0.26, 0.15), log=True, mass=Mass("10535-3", "ng/mL", 1.28049, 1)),
    )
}  # fmt: skip


def allowable(name: str, true: float) -> float:
    """Return the allowable total error at a true value, in the unit of the test."""
    absolute, relative = ANALYTES[name].error
    return max(absolute, relative * abs(true))
