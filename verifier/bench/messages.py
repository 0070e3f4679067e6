"""Twenty-result messages for measuring: two specimens of one patient, ten results each."""

from collections.abc import Iterator
from datetime import datetime, timedelta

BEFORE = timedelta(minutes=30)  # collected before the message

# code, name, unit, value: inside every limit of the shipped rules, none of the tests whose first
# result of a person is held, so that each is released. Sodium, potassium and chloride differ from
# one person to the next: the same three again would fit electrodes that repeat themselves.
PANEL = [
    ("2951-2", "Sodium", "mmol/L", "13{sodium}"),
    ("2823-3", "Potassium", "mmol/L", "4.{potassium}"),
    ("2075-0", "Chloride", "mmol/L", "10{chloride}"),
    ("1963-8", "Bicarbonate", "mmol/L", "25"),
    ("22664-7", "Urea", "mmol/L", "5.1"),
    ("14879-1", "Phosphate", "mmol/L", "1.10"),
    ("14749-6", "Glucose", "mmol/L", "5.2"),
    ("2000-8", "Calcium", "mmol/L", "2.35"),
    ("61151-7", "Albumin", "g/L", "42"),
]
RESULTS = 2 * (len(PANEL) + 1)


def message(number: int, *, now: datetime, patient: str = "") -> bytes:
    """Return message `number`, collected before `now`; its patient and specimens are its own."""
    sent, taken = f"{now:%Y%m%d%H%M%S}+0000", f"{now - BEFORE:%Y%m%d%H%M%S}+0000"
    lines = [
        f"MSH|^~\\&|BENCH|LAB|VERIFIER|LAB|{sent}||ORU^R01^ORU_R01|B{number}|P|2.5.1",
        f"PID|1||{patient or f'P{number}'}^^^LAB^MR||Bench^Patient||19700101|F",
    ]
    own = {"sodium": 7 + number % 3, "potassium": number % 5, "chloride": 1 + number % 4}
    for part in (1, 2):
        specimen = f"S{number}-{part}"
        lines.append(f"OBR|{part}|{specimen}|{specimen}|BMP^Panel^L|||{taken}")
        lines += [
            f"OBX|{i}|NM|{code}^{name}^LN||{value.format(**own)}|{unit}|||||F|||{taken}"
            for i, (code, name, unit, value) in enumerate(PANEL, 1)
        ]
        lines.append("OBX|10|NM|H-INDEX^Hemolysis^L||0.1|g/L|||||F")
        lines.append(f"SPM|{part}|{specimen}||SER^Serum^HL70487|||||||P|||||{taken}")
    return ("\r".join(lines) + "\r").encode("ascii")


def messages(count: int, *, now: datetime, first: int = 1) -> Iterator[bytes]:
    """Yield `count` different messages of specimens collected half an hour before `now` (UTC)."""
    return (message(number, now=now) for number in range(first, first + count))
