"""Which rule of the shipped set is meant for which fault or reason; goes into the header."""

_SALINE = [f"saline {share} %" for share in (5, 10, 20)]
_DEXTROSE = [f"dextrose {share} %" for share in (5, 10, 20)]
_SHORT = ["short sample flagged", "short sample unnoticed"]
_HEMOLYSIS = ["hemolysis", "slight hemolysis"]
_EDTA = ["K-EDTA gross", "K-EDTA weak"]
_MIX_UP = ["mix-up", "mix-up, never seen"]
FAULTS = [*_HEMOLYSIS, *_EDTA, *_SALINE, *_DEXTROSE, *_SHORT, *_MIX_UP, "unit slip", "calibration",
          "delayed separation", "stuck probe", "carry-over", "lipemia", "icterus"]  # fmt: skip
REASONS = ["critical", "severe", "not measurable", "kidney injury", "anion gap", "child",
           "very lipemic", "very icteric"]  # fmt: skip
_ANY_CHANGE = [
    *_EDTA, *_SALINE, *_DEXTROSE, *_SHORT, *_HEMOLYSIS, *_MIX_UP, "unit slip", "calibration",
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
    "kidney-injury-2": ["kidney injury", *_MIX_UP],
    "kidney-injury-3": ["kidney injury", *_MIX_UP],
    "bilirubin-and-icterus": ["unit slip", *_MIX_UP],
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
    "newborn-bilirubin-masked": _HEMOLYSIS,
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
    "saline-at-first-visit": _SALINE,
    "contaminated-by-glucose-infusion": _DEXTROSE,
    "glucose-infusion-by-change": _DEXTROSE,
    "glucose-infusion-at-first-sight": _DEXTROSE,
    # everything together
    "thinned": [*_SHORT, *_SALINE, *_DEXTROSE],
    "all-low": [*_SHORT, *_SALINE, *_DEXTROSE],
    "another-patient": _MIX_UP,
    "creatinine-below-all-earlier": [*_MIX_UP, *_SHORT],
    "several-jumped": [*_MIX_UP, *_SHORT, *_SALINE, *_DEXTROSE],
    "sodium-jumped": [*_MIX_UP, *_SHORT, *_SALINE, *_DEXTROSE],
    "albumin-jumped": [*_MIX_UP, *_SHORT, *_SALINE, *_DEXTROSE],
    "icterus-jumped": _MIX_UP,
    # near a limit that nothing confirms, and no longer what it was
    "first-creatinine": [*_MIX_UP, "calibration", *_SHORT, *_DEXTROSE, *_SALINE, "carry-over"],
    "first-potassium": ["severe", *_ANY_CHANGE],
    "first-glucose": ["severe", *_ANY_CHANGE],
    "sodium-unconfirmed": ["severe", *_ANY_CHANGE],
    "potassium-unconfirmed": ["severe", *_ANY_CHANGE],
    "calcium-unconfirmed": ["severe", *_ANY_CHANGE],
    "bicarbonate-unconfirmed": ["severe", *_ANY_CHANGE],
    "glucose-unconfirmed": ["severe", *_ANY_CHANGE],
    "low-glucose-unconfirmed": ["severe", *_ANY_CHANGE],
    "newborn-glucose": ["severe", *_ANY_CHANGE],
    "urea-unconfirmed": ["severe", *_ANY_CHANGE],
    "creatinine-moved": ["severe", *_ANY_CHANGE],
    "potassium-back-to-usual": ["severe", *_ANY_CHANGE],
    "calcium-moved": ["severe", *_ANY_CHANGE],
    "glucose-fell": ["severe", *_ANY_CHANGE],
    "sodium-too-low-for-the-rest": [*_SHORT, *_DEXTROSE],
    "sodium-and-chloride-close": _SALINE,
    "potassium-repeated": ["stuck probe"],
    "dialysis-moved": [*_MIX_UP, *_SHORT, *_SALINE, *_DEXTROSE],
    # specimens that stood, electrodes, units
    "stood-too-long": ["delayed separation"],
    "looks-like-it-stood": ["delayed separation"],
    "low-potassium-may-hide": ["delayed separation"],
    "looks-like-it-stood-by-change": ["delayed separation"],
    "unexplained-hyperkalemia": [*_EDTA, *_HEMOLYSIS, "delayed separation"],
    "electrode-block": ["calibration", "stuck probe", *_SHORT],
    "electrode-block-at-first-sight": ["calibration", "stuck probe", *_SHORT],
    "same-as-before": ["stuck probe"],
    "same-specimen-again": ["stuck probe"],
    "unit-slip-of-urea": ["unit slip"],
    "unit-slip-of-minerals": ["unit slip"],
    "unit-slip-of-bilirubin": ["unit slip"],
    "unit-slip-of-glucose": ["unit slip"],
    "urea-and-creatinine-apart": ["unit slip"],
}
