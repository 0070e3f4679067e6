"""How people say the age of a specimen, the specimen before and control states."""

from verifier.language.phrases import Phrase, Words, said

_CONDITION = "condition formula guarantee"
_SPAN = r"(\d+(?:\.\d+)? (?:minutes?|hours?|days?|weeks?))"
_AGE = "the time from collection to analysis is called `specimen age`"
_OVER = "older than|over|above|more than|greater than|longer than"
_UNDER = "younger than|under|below|less than|fresher than"
_BEFORE = "what the analyzer measured just before is written `preceding(potassium)`"
_CONTROL = "a control state is written `is in control` or `is out of control`"


def _compared(groups: Words) -> str:
    return f"specimen age {'>' if groups[1].lower() in _OVER.split('|') else '<'} {groups[2]}"


AROUND: tuple[Phrase, ...] = (
    said(rf"\b(?:the )?(?:specimen|sample)(?: age)?(?: is)? ({_OVER}|{_UNDER}) {_SPAN}(?: old)?",
         _AGE, _compared, _CONDITION),
    said(rf"\b(?:the )?(?:specimen|sample)(?: is)? {_SPAN} old", _AGE, "specimen age >= {1}",
         _CONDITION),
    said(r"\b(?:the )?(?:age of (?:the )?(?:specimen|sample)|sample age)\b", _AGE, "specimen age",
         _CONDITION),
    said(r"\b(?:the )?preceding (\w+)", _BEFORE, "preceding({1})", _CONDITION),
    said(r"\b(\w+) (?:is )?in (?:the )?preceding specimen\b", _BEFORE, "preceding({1})",
         _CONDITION),
    said(r"\b(?:the )?(\w+) controls?(?: is| are| has| have)? (?:failed|out|bad)\b", _CONTROL,
         "{1} is out of control", _CONDITION),
    said(r"(?<!is)(?<!not) ((?:not )?(?:in|out of) control)\b", _CONTROL, " is {1}", _CONDITION),
    said(r"\bis out (?:of )?controls?\b", _CONTROL, "is out of control", _CONDITION),
    said(r"\b(?:the )?(?:specimen|sample) is (\d+ (?:minutes?|hours?|days?|weeks?)) old\b",
         "how old the specimen is is given as `specimen age`", "specimen age {1}", "scenario"),
    said(r"\b(\w+) (?:is |has no value|value )?(?:missing|absent|not there)\b",
         "a result that did not come is `missing`", "{1} missing", "scenario"),
    said(r"\b(\w+) (?:is )?(?:can not be read|unreadable|not readable)(?! \")",
         "what came in place of a number is written behind `unreadable`",
         '{1} unreadable "clot"', "scenario"),
)  # fmt: skip
