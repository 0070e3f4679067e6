"""Where a message names the lot of a control (HL7 v2.5.1 sections 13.4.4 INV, 13.4.9 SID)."""

from fact_wires import MSH, OBR, PID, SPM, obx, reports

OUL = MSH.replace("ORU^R01^ORU_R01", "OUL^R22^OUL_R22")
CONTROL = "SPM|1|QC-1||SER|||||||Q"
INV = "INV|X|OK|CO|||||||||||||LOT7"
OTHER = "INV|X|OK|R1|||||||||||||REAGENT"


def test_the_inventory_beside_a_control_names_its_lot() -> None:
    (said,) = reports(OUL, CONTROL, "SAC|||QC-1", INV, OBR, obx())
    assert said.specimen.attributes == {"lot": "LOT7"}
    (said,) = reports(MSH, PID, OBR, obx(), CONTROL, INV)
    assert said.specimen.attributes == {"lot": "LOT7"}


def test_reagents_are_no_control() -> None:
    (said,) = reports(OUL, CONTROL, "SAC|||QC-1", OTHER, INV, OBR, obx(), OTHER)
    assert said.specimen.attributes == {"lot": "LOT7"}
    (said,) = reports(OUL, CONTROL, OBR, obx(), INV)
    assert said.specimen.attributes == {}, "what follows a result belongs to the result"


def test_substances_of_a_result_are_kept_apart() -> None:
    (said,) = reports(OUL, CONTROL, OBR, obx(), "SID|A|LOT7", "SID|B|REAGENT")
    assert said.specimen.attributes == {"substance lots": "LOT7 REAGENT"}


def test_the_next_specimen_does_not_inherit_a_lot() -> None:
    first, second = reports(OUL, CONTROL, INV, OBR, obx(), "SPM|2|QC-2||SER|||||||Q", OBR, obx())
    assert (first.specimen.attributes, second.specimen.attributes) == ({"lot": "LOT7"}, {})


def test_a_patients_specimen_has_none() -> None:
    (said,) = reports(OUL, SPM, INV, OBR, obx(), "SID|A|LOT7")
    assert said.specimen.attributes == {}
