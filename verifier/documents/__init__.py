"""Documents to print and to keep: one model, rendered as HTML and as PDF."""
