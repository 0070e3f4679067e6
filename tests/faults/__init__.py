"""What must stay true whatever fails: one model, and the faults it is held against."""
