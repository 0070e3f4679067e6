"""What illness does to the values, and for how long.

Sizes are textbook magnitudes (common practice, no source) chosen so that a severity of 1 is a
typical hospital case; severities spread log-normally, so a few are extreme. An effect is added, or
multiplies (given as a factor). `course` says how it goes over time: it stays, it decays with a
time constant in days, or it rises to its peak and then decays.
"""

import math
from dataclasses import dataclass, field
from typing import Literal


@dataclass(frozen=True)
class Illness:
    """One condition. `gap` is added to the anion gap: chloride is what charges leave over."""

    course: Literal["stays", "decays", "rises"] = "stays"
    days: float = 3.0
    add: dict[str, float] = field(default_factory=dict)
    times: dict[str, float] = field(default_factory=dict)
    gap: float = 0.0
    sickness: float = 1.0  # how much more than healthy people values vary from day to day

    def now(self, severity: float, day: float) -> float:
        """Return how strong it is `day` days after it began."""
        if self.course == "stays":
            return severity
        if day < 0:
            return 0.0
        if self.course == "decays":
            return severity * math.exp(-day / self.days)
        return severity * (day / self.days) * math.exp(1 - day / self.days)


def _is(*args: object, **words: object) -> Illness:
    return Illness(*args, **words)  # type: ignore[arg-type]


ILLNESSES: dict[str, Illness] = {
    # chronic
    "kidney disease": _is(
        add={"potassium": 0.35, "bicarbonate": -2.5, "calcium": -0.06},
        times={"creatinine": 2.1, "urea": 2.0, "phosphate": 1.15, "urate": 1.25}, gap=1.5),
    "dialysis": _is(
        add={"potassium": 0.75, "bicarbonate": -4.5, "calcium": -0.08, "albumin": -4},
        times={"creatinine": 8.8, "urea": 3.7, "phosphate": 1.6, "ferritin": 4, "alp": 1.4,
               "troponin": 3, "crp": 3}, gap=5, sickness=1.6),
    "diabetes": _is(times={"glucose": 1.6, "triglyceride": 1.3}, sickness=2.0),
    "hyperlipidemia": _is(times={"cholesterol": 1.25, "triglyceride": 1.7, "hdl": 0.88}),
    "chylomicrons": _is(times={"triglyceride": 14, "cholesterol": 1.8}),
    "cirrhosis": _is(
        add={"albumin": -11, "sodium": -4}, gap=-1, sickness=1.3,
        times={"bilirubin": 2.4, "bilirubin_direct": 4, "ast": 2.2, "alt": 1.3, "ggt": 3,
               "alp": 1.4, "urea": 0.8}),
    "alcohol": _is(add={"magnesium": -0.1}, times={"ggt": 3.5, "ast": 1.8, "triglyceride": 1.5}),
    "iron deficiency": _is(times={"iron": 0.35, "ferritin": 0.12, "transferrin": 1.25}),
    "gout": _is(times={"urate": 1.35}),
    "lung disease": _is(add={"bicarbonate": 6}, gap=-0.5),
    "hyperparathyroidism": _is(add={"calcium": 0.3}, times={"phosphate": 0.78, "alp": 1.2}),
    "diuretic": _is(add={"potassium": -0.35, "sodium": -2, "bicarbonate": 1.5},
                    times={"urea": 1.3, "urate": 1.2}),
    # acute
    "acute kidney injury": _is(
        "rises", 2.2, {"potassium": 0.7, "bicarbonate": -4, "calcium": -0.08},
        {"creatinine": 2.6, "urea": 2.3, "phosphate": 1.4}, gap=4, sickness=1.5),
    "ketoacidosis": _is(
        "decays", 0.55, {"bicarbonate": -13, "sodium": -6, "potassium": 0.8},
        {"glucose": 4.6, "urea": 1.5, "creatinine": 1.35, "triglyceride": 1.8,
         "phosphate": 1.1}, gap=14, sickness=2),
    "hyperosmolar": _is("decays", 1.1, {"sodium": 4},
                        {"glucose": 5.5, "urea": 2.2, "creatinine": 1.6}, gap=3, sickness=2),
    "hypoglycemia": _is("decays", 0.2, {}, {"glucose": 0.4}, sickness=2),
    "dehydration": _is(
        "decays", 1.5, {"sodium": 7, "albumin": 4, "total_protein": 7, "bicarbonate": 1},
        {"urea": 1.9, "creatinine": 1.3}),
    "hyponatremia": _is("decays", 3.0, {"sodium": -10, "potassium": -0.2}, {"urea": 0.9}),
    "hypokalemia": _is("decays", 1.5, {"potassium": -0.95, "bicarbonate": 3, "magnesium": -0.1}),
    "hyperkalemia": _is("decays", 1.0, {"potassium": 1.3, "bicarbonate": -2},
                        {"creatinine": 1.5, "urea": 1.5}),
    "vomiting": _is("decays", 1.5, {"bicarbonate": 8, "potassium": -0.6, "sodium": -2},
                    {"urea": 1.4}, gap=1.5),
    "diarrhea": _is("decays", 1.5, {"bicarbonate": -6, "potassium": -0.5}, {"urea": 1.3}),
    "inflammation": _is(
        "decays", 4.0, {"albumin": -8, "sodium": -2},
        {"crp": 35, "iron": 0.35, "ferritin": 2, "transferrin": 0.8, "glucose": 1.12},
        sickness=1.3),
    "sepsis": _is(
        "decays", 2.5, {"bicarbonate": -4.5, "albumin": -12, "sodium": -2},
        {"lactate": 3.2, "crp": 70, "creatinine": 1.6, "urea": 1.6, "bilirubin": 1.7,
         "glucose": 1.3, "iron": 0.3, "phosphate": 0.9, "troponin": 4, "ast": 1.8},
        gap=5, sickness=1.7),
    "infarction": _is("decays", 2.5, {}, {"troponin": 150, "ck": 4, "ast": 2.5, "ldh": 1.5,
                                          "glucose": 1.2, "crp": 3}, sickness=1.3),
    "hepatitis": _is("decays", 8.0, {}, {"alt": 18, "ast": 14, "bilirubin": 3.5, "alp": 1.4,
                                         "bilirubin_direct": 8, "ggt": 3, "ldh": 1.8}),
    "bile duct": _is("decays", 6.0, {}, {"bilirubin": 6, "bilirubin_direct": 22, "alp": 2.8,
                                         "ggt": 6, "alt": 3.5, "ast": 3, "crp": 8}),
    "pancreatitis": _is(
        "decays", 2.0, {"calcium": -0.15, "albumin": -5},
        {"lipase": 25, "amylase": 10, "crp": 25, "glucose": 1.4, "alt": 2}, sickness=1.4),
    "muscle breakdown": _is(
        "decays", 2.0, {"potassium": 0.6, "calcium": -0.18},
        {"ck": 60, "ast": 7, "alt": 2.2, "ldh": 3, "phosphate": 1.4, "creatinine": 1.7,
         "urate": 1.5}, sickness=1.3),
    "tumor lysis": _is(
        "decays", 2.0, {"potassium": 1.0, "calcium": -0.25},
        {"phosphate": 2.0, "urate": 2.2, "ldh": 5, "creatinine": 1.7, "urea": 1.6}, gap=3),
    "hypercalcemia": _is("decays", 3.0, {"calcium": 0.55}, {"creatinine": 1.3, "phosphate": 0.85}),
    "hypocalcemia": _is("decays", 3.0, {"calcium": -0.35, "magnesium": -0.12},
                        {"phosphate": 1.25}),
    "refeeding": _is("decays", 2.0, {"potassium": -0.6, "magnesium": -0.15}, {"phosphate": 0.5}),
    "drug excess": _is("decays", 3.0, {}, {"lithium": 2.3, "digoxin": 2.2}),
    "newborn jaundice": _is("decays", 4.0, {}, {"bilirubin": 1.6}),
}  # fmt: skip

# Chronic conditions by age at 60, with the share of people who have them; younger fewer, older
# more (common practice, no source).
CHRONIC = {
    "kidney disease": 0.08, "diabetes": 0.12, "hyperlipidemia": 0.18, "chylomicrons": 0.002,
    "cirrhosis": 0.012, "alcohol": 0.03, "iron deficiency": 0.05, "gout": 0.03,
    "lung disease": 0.025, "hyperparathyroidism": 0.005, "diuretic": 0.12,
}  # fmt: skip

# What an episode is about, with weights. "" is nothing the chemistry shows.
EPISODES: dict[str, dict[str, float]] = {
    "outpatient": {"": 88, "inflammation": 6, "hyponatremia": 1, "hypokalemia": 1.2,
                   "hepatitis": 0.5, "dehydration": 0.8, "hyperkalemia": 0.5, "hypercalcemia": 0.2,
                   "bile duct": 0.3, "diarrhea": 1.5},
    "emergency": {"": 47, "inflammation": 15, "sepsis": 3, "dehydration": 6, "hyponatremia": 4,
                  "hypokalemia": 3.5, "hyperkalemia": 1.5, "acute kidney injury": 3.5,
                  "infarction": 3.5, "ketoacidosis": 0.8, "hyperosmolar": 0.4,
                  "hypoglycemia": 0.7, "vomiting": 3, "diarrhea": 3, "hepatitis": 0.7,
                  "bile duct": 2, "pancreatitis": 1, "muscle breakdown": 0.8,
                  "hypercalcemia": 0.3, "hypocalcemia": 0.3, "tumor lysis": 0.05},
    "inpatient": {"": 25, "inflammation": 36, "sepsis": 5, "acute kidney injury": 7,
                  "hyponatremia": 6, "hypokalemia": 6, "hyperkalemia": 1.5, "dehydration": 4,
                  "infarction": 3, "bile duct": 2, "pancreatitis": 1, "refeeding": 1,
                  "hypocalcemia": 0.8, "hypercalcemia": 0.6, "tumor lysis": 0.2, "diarrhea": 1.5,
                  "muscle breakdown": 0.6},
    "dialysis": {"": 93, "hyperkalemia": 3, "inflammation": 4},
    "child": {"": 66, "inflammation": 20, "dehydration": 3, "diarrhea": 6, "vomiting": 2,
              "ketoacidosis": 0.8, "hypoglycemia": 0.8, "hyponatremia": 1.2, "sepsis": 0.6},
    "newborn": {"newborn jaundice": 45, "": 47, "hypoglycemia": 3, "hypocalcemia": 2, "sepsis": 3},
    "pregnant": {"": 93, "inflammation": 3, "vomiting": 3, "hypokalemia": 1},
}  # fmt: skip
