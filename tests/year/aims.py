"""Which rule of the shipped set is meant for which fault or reason; goes into the header."""

_FLUIDS = [f"{fluid} {share} %" for fluid in ("saline", "dextrose") for share in (5, 10, 20)]
FAULTS = ["hemolysis", "slight hemolysis", "K-EDTA gross", "K-EDTA weak", *_FLUIDS, "mix-up",
          "unit slip", "calibration", "delayed separation", "short sample flagged",
          "short sample unnoticed", "stuck probe", "carry-over", "lipemia", "icterus"]  # fmt: skip
REASONS = ["critical", "severe", "not measurable", "kidney injury", "anion gap", "child"]
_ANY_SWAP = ["mix-up", *_FLUIDS, "K-EDTA gross", "K-EDTA weak", "short sample unnoticed"]

AIMS: dict[str, list[str]] = {
    "critical": ["critical"],
    "outside-measurable": ["not measurable", "unit slip"],
    "outside-autorelease": ["severe", "critical", "unit slip"],
    "changed": [*_ANY_SWAP, "hemolysis", "stuck probe", "calibration"],
    "children": ["child"],
    "gap": ["anion gap", "calibration", "stuck probe", *_FLUIDS],
    "kidney-injury": ["kidney injury"],
    "adjusted-calcium": ["critical"],
    "hemolysed-potassium": ["hemolysis"],
    "hemolysed-specimen": ["hemolysis"],
    "icteric-creatinine": ["icterus"],
    "lipemic-electrolytes": ["lipemia"],
    "contaminated-by-edta": ["K-EDTA gross", "K-EDTA weak"],
    "contaminated-by-glucose-infusion": [item for item in _FLUIDS if item.startswith("dextrose")],
}
