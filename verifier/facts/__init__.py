"""Facts: quantities, patient, specimen, case. No I/O, no clock."""
