"""A rule set as formulas that a solver can search: every patient and every value at once.

The encoding says the same as the evaluator, in real numbers and two truths for each condition:
whether it is certainly true, and whether it is certainly false. What it finds against a guarantee
is only believed once the evaluator itself has shown it.
"""
