"""Names of fields, against the tables of hl7apy 1.3.5 for HL7 v2.5.1."""

import re
from importlib import import_module

import pytest

from verifier.hl7.fieldnames import NAMED, field_name, segment_title

SEGMENTS = import_module("hl7apy.v2_5_1.segments").SEGMENTS
FIELDS = import_module("hl7apy.v2_5_1.fields").FIELDS
# What the standard abbreviates or joins, told in full here.
TOLD = {"PID_19", "OBR_22", "OBR_24", "OBX_7", "TCD_2"}
RESERVED = {"OBX_20", "OBX_21", "OBX_22"}  # v2.5.1, 7.4.2.20 to 22: for v2.6


def words(text: str) -> list[str]:
    return [word for word in re.findall(r"[a-z0-9]+", text.lower()) if word != "and"]


@pytest.mark.parametrize("segment", NAMED)
def test_every_field_is_called_as_in_the_standard(segment: str) -> None:
    assert segment_title(segment)
    fields = SEGMENTS[segment][1]
    for number, (key, *_) in enumerate(fields, 1):
        ours, theirs = words(field_name(segment, number)), words(FIELDS[key][3].replace("_", " "))
        if key in RESERVED:
            assert ours == ["reserved"]
        elif key not in TOLD:
            most = min(9, len("".join(ours)))
            assert "".join(ours)[:most] == "".join(theirs)[:most]
    assert field_name(segment, len(fields) + 1) == ""


def test_what_is_not_known_has_no_name() -> None:
    assert (segment_title("ZZZ"), field_name("ZZZ", 1), field_name("OBX", 0)) == ("", "", "")
    assert field_name("OBX", 5) == "Observation value"  # v2.5.1, 7.4.2.5
    assert field_name("PID", 3) == "Patient identifier list"  # v2.5.1, 3.4.2.3
    assert field_name("SPM", 17) == "Specimen collection date and time"  # v2.5.1, 7.4.3.17
