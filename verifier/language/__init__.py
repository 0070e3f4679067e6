"""The rule language: from the text of rule files to a program that judges cases. Pure."""

from verifier.language.diagnostics import CODES, Diagnostic
from verifier.language.program import Program, RuleSummary
from verifier.language.rendering import render
from verifier.language.ruleset import Checked, check

__all__ = ["CODES", "Checked", "Diagnostic", "Program", "RuleSummary", "check", "render"]
