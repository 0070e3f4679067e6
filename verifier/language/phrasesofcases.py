"""How people say scenarios, guarantees, groups and parameters, and what they meant."""

from verifier.language.phrases import Phrase, Words, said

_OUTCOMES = "released|held|suppressed|fired|flagged"
_PERSON = "a person is written `woman of 40 years`"


def _listed(groups: Words) -> str:
    names = [word for word in groups[2].split() if word not in ("and", "or")]
    return f"{groups[1]} {', '.join(names)}"


_SCENARIOS = (
    said(r"^(?:when|if|having|with)\b", "what is there begins with `given`", "given", "scenario"),
    said(r"^(?:then|expects?|expected|should|must)(?=\s+\w+ )", "what must follow begins with "
         "`expect`", "expect", "scenario"),
    said(r"\b(?:an? )?(\d+)[ -]+years?[ -]+old (woman|man)\b", _PERSON, "{2} of {1} years",
         "scenario"),
    said(r"\b(woman|man),?(?: aged?)? (\d+)(?: years?)?(?: old)?\b", _PERSON, "{1} of {2} years",
         "scenario"),
    said(r"\b(\w+) is (?=[\d<>])", "a result is given without `is`", "{1} ", "scenario"),
    said(r"\b(\d+ \w+) (?:ago|earlier|previously)\b", "an earlier result is written `before`",
         "{1} before", "scenario"),
    said(rf"\b(?:is|are|to be|will be|should be|must be|be|gets) ({_OUTCOMES})\b",
         "an outcome stands by itself", "{1}", "scenario"),
    said(r"\bheld (?:from|because of|due to|with)\b", "a result is `held by` a rule", "held by",
         "scenario"),
    said(r"\b(?:does not|doesn.t|will not|won.t) fire\b", "a rule is `not fired`", "not fired",
         "scenario"),
    said(r"\bnot held\b", "what is not held is `released`", "released", "scenario"),
    said(r"\bnot released\b", "what is not released is `held`", "held", "scenario"),
)  # fmt: skip

_GUARANTEES = (
    said(r"^(?:do not|don.t|must not|never ever|no) release\b",
         "a guarantee says `never release`", "never release", "guarantee"),
    said(r"^(never release(?: \w+(?:, \w+)*)?) if\b", "a condition follows `when`", "{1} when",
         "guarantee"),
)  # fmt: skip

_HEADS = (
    said(r"^(scenario|guarantee) ([^\"]+)$", "a text stands in quotation marks", '{1} "{2}"',
         "head"),
    said(r"^(group \w+)\s*(?:=|:|\bis\b|\bare\b)\s*", "the tests follow the name of the group",
         "{1} ", "head"),
    said(r"^(group \w+)((?:\s+\w+)+)$", "a list has commas", _listed, "head"),
    said(r"^(parameter \w+)\s*(?:\bis\b|:|\bof\b)?\s*(?=\d)",
         "the number follows the name and `=`", "{1} = ", "head"),
)  # fmt: skip

CASES: tuple[Phrase, ...] = (*_SCENARIOS, *_GUARANTEES, *_HEADS)
