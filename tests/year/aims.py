"""Which rule of the shipped set is meant for which fault or reason; goes into the header."""

_SALINE = [f"saline {share} %" for share in (5, 10, 20)]
_DEXTROSE = [f"dextrose {share} %" for share in (5, 10, 20)]
_SHORT = ["short sample flagged", "short sample unnoticed"]
_HEMOLYSIS = ["hemolysis", "slight hemolysis"]
_EDTA = ["K-EDTA gross", "K-EDTA weak"]
FAULTS = [*_HEMOLYSIS, *_EDTA, *_SALINE, *_DEXTROSE, *_SHORT, "mix-up", "unit slip", "calibration",
          "delayed separation", "stuck probe", "carry-over", "lipemia", "icterus"]  # fmt: skip
REASONS = ["critical", "severe", "not measurable", "kidney injury", "anion gap", "child",
           "very lipemic", "very icteric"]  # fmt: skip
_ANY_CHANGE = [
    *_EDTA, *_SALINE, *_DEXTROSE, *_SHORT, *_HEMOLYSIS, "mix-up", "unit slip", "calibration",
    "delayed separation", "stuck probe", "carry-over",
]  # fmt: skip

AIMS: dict[str, list[str]] = {
    # every result
    "critical": ["critical"],
    "impossible": ["unit slip", "not measurable", *_EDTA, *_DEXTROSE, *_SHORT],
    "outside-measurable": ["not measurable", "unit slip", "short sample unnoticed"],
    "outside-autorelease": ["severe", "critical", "unit slip", "short sample unnoticed"],
    "changed": _ANY_CHANGE,
    "changed-and-unusual": _ANY_CHANGE,
    "children": ["child"],
    "built-in:analyzer-flag": ["short sample flagged"],
    # together
    "gap": ["anion gap", "calibration", "stuck probe", *_SALINE, *_DEXTROSE],
    "adjusted-calcium": ["critical"],
    "kidney-injury-2": ["kidney injury", "mix-up"],
    "kidney-injury-3": ["kidney injury", "mix-up"],
    "bilirubin-and-icterus": ["unit slip", "mix-up"],
    "digoxin-with-low-potassium": ["severe"],
    # interference
    "hemolysed-specimen": ["hemolysis"],
    "hemolysed-potassium": ["hemolysis"],
    "potassium-not-reported": ["hemolysis"],
    "masked-hypokalemia": _HEMOLYSIS,
    "hyperkalemia-or-hemolysis": _HEMOLYSIS,
    "hemolysed-ldh": _HEMOLYSIS,
    "hemolysed-ast": _HEMOLYSIS,
    "hemolysed-bilirubin": _HEMOLYSIS,
    "hemolysed-troponin": _HEMOLYSIS,
    "icteric-creatinine": ["icterus", "very icteric"],
    "icteric-cholesterol": ["very icteric"],
    "icteric-protein": ["very icteric"],
    "icteric-ck": ["very icteric"],
    "lipemic-electrolytes": ["lipemia", "very lipemic"],
    "very-lipemic-photometry": ["very lipemic"],
    "pseudohyponatremia": ["lipemia", "very lipemic"],
    # contamination
    "contaminated-by-edta": _EDTA,
    "slightly-contaminated-by-edta": _EDTA,
    "edta-by-change": _EDTA,
    "contaminated-by-saline": _SALINE,
    "contaminated-by-saline-no-calcium": _SALINE,
    "saline-at-first-sight": _SALINE,
    "contaminated-by-glucose-infusion": _DEXTROSE,
    "glucose-infusion-by-change": _DEXTROSE,
    # what surrounds a specimen
    "stood-unspun": ["delayed separation"],
    "potassium-without-cause": [*_EDTA, *_HEMOLYSIS, "delayed separation"],
    "too-little-of-everything": [*_SHORT, "dextrose 20 %"],
    "thinned": [*_SALINE, *_DEXTROSE, *_SHORT],
    "creatinine-of-another": ["mix-up", "kidney injury", "calibration", "unit slip", *_SHORT],
    "glucose-without-history": _DEXTROSE,
    "repeated-electrolytes": ["stuck probe"],
}
