"""How people say it who do not know the language, and what they meant.

The first phrase that fits counts, so the special stands before the general.
"""

import re

from verifier.language.phrases import Phrase, Words, said
from verifier.language.phrasesaround import AROUND
from verifier.language.phrasesofcases import CASES

_NUMBER = r"([+-]?\d+(?:[.,]\d+)?)"
_NO_UNIT = "and|or|to|above|below|high|low|in|within|over|during|per|for|from"
_UNIT = rf"((?: (?!(?:{_NO_UNIT})\b)[A-Za-z%µμ{{\[][^\s,]*)?)"
_SPAN = r"(days?|weeks?|months?|years?)"
_CONDITION = "condition formula guarantee"


def _points(groups: Words) -> str:
    return f"{groups[1]}.{groups[2]}"


def _joined_name(groups: Words) -> str:
    return f"rule {'-'.join(re.findall(r'[A-Za-z0-9_-]+', groups[1]))}"


def _change(groups: Words) -> str:
    function = "percent change" if groups[2].endswith("%") else "change"
    return f"{function}({groups[1]} within 3 days) > {groups[2]}"


def _unchained(groups: Words) -> str:
    low, low_unit, first, name, second, high, unit = groups[1:]
    turned = first.replace("<", ">")
    return f"{name} {turned} {low}{low_unit or unit} and {name} {second} {high}{unit}"


def _both_sides(groups: Words) -> str:
    name, first, one, one_unit, joint, second, other, unit = groups[1:]
    return f"{name} {first} {one}{one_unit or unit} {joint} {name} {second} {other}{unit}"


_QUOTED = [
    said(r"[“”„‘’']([^“”„‘’'\"\n]*)[“”„‘’']", "a text stands in straight quotation marks",
         '"{1}"'),
    said(r"^(because|reason|comment|from|message):? ([^\"\0]+)$",
         "a text stands in quotation marks", lambda g: f'{_clause_word(g[1])} "{g[2]}"', "line"),
    said(r" from ([^\"\d][^\"]*)$", "a text stands in quotation marks", ' from "{1}"', "row head"),
    said(r" \(([^\"()]+)\)$", "a source is written `from \"…\"`", ' from "{1}"', "row head"),
    said(r"^flag ([A-Z]{1,2})$", "a text stands in quotation marks", 'flag "{1}"', "line"),
    said(r"\blocal ([A-Za-z][\w-]*)", "a code of your own stands in quotation marks",
         'local "{1}"', "line"),
]  # fmt: skip


def _clause_word(word: str) -> str:
    return word.lower() if word.lower() in ("because", "comment", "from") else "because"


_NUMBERS = [
    said(r"(\d+),(\d+)", "numbers are written with a decimal point", _points),
    said(r"^rule ([\w-]+)\s*:\s*(?!for\b)(?=\w)", "the tests of a rule come after `for`",
         "rule {1} for ", "head"),
    said(r"(?<=[A-Za-z\"])\s*:", "no colon is needed here", "",
         "condition row formula line scenario"),
    said(r"\s*:$", "no colon is needed here", "", "head"),
]  # fmt: skip

_AGES = [
    said(rf"(?:adults?|people|patients?|children) (?:over|above|older than|aged) (\d+)"
         rf"(?: {_SPAN})?",
         "ages are compared with `>=` and `<`", lambda g: f"age >= {g[1]} {g[2] or 'years'}",
         "condition"),
    said(rf"(?:age )?(?:is )?(?:of )?(?:over|above|older than|more than|greater than|at least|from)"
         rf" (\d+) {_SPAN}(?: (?:old|of age))?",
         "ages are compared with `>=` and `<`", "age >= {1} {2}", "condition"),
    said(rf"(?:age )?(?:is )?(?:under|below|younger than|less than) (\d+) {_SPAN}"
         r"(?: (?:old|of age))?",
         "ages are compared with `>=` and `<`", "age < {1} {2}", "condition"),
    said(rf"age (?:is )?(?:from |between )?(\d+)(?: {_SPAN})?\s*(?:to|and|-|–)\s*(\d+) {_SPAN}",
         "say where an age begins and where it ends; the second age is left out",
         "age >= {1} {4} and age < {3} {4}", "condition"),
    said(rf"(?:age )?(\d+) {_SPAN} (?:and|or) (?:older|over|above|more|up)",
         "ages are compared with `>=` and `<`", "age >= {1} {2}", "condition"),
    said(rf"(?:age )?(\d+) {_SPAN} (?:and|or) (?:younger|under|below|less)",
         "ages are compared with `>=` and `<`; this one leaves the birthday out",
         "age < {1} {2}", "condition"),
]  # fmt: skip

_WHEN = [
    said(r"^if (?:unknown|missing|not known)\b", "a condition follows `when`", "when unknown",
         "condition"),
    said(r"^when (?:missing|absent|not known|not available) (hold|ignore)",
         "a fact that is missing is `unknown`", "when unknown {1}", "condition"),
    said(r"^(?:if|when) (.+?),? (?:then )?hold(?: (?:it|result|the result))?$",
         "the condition comes after `hold when`", "hold when {1}", "condition"),
    said(r"^hold(?: the)? (?:result|it) (?:if|when)\b", "`hold when` holds the result",
         "hold when", "condition"),
    said(r"^hold((?: specimen| \w+(?:, \w+)*)?) if\b", "a condition follows `when`",
         "hold{1} when", "condition"),
    said(r"^(?:unless|except for|except if|except when|except)(?: when| if)? (\w+)$",
         "an exception begins with `except when` and ends with its label",
         'except when {1} ("why {1} is an exception")', "condition"),
    said(r" (?:unless|except)\b.*", "an exception is a line of its own", None, "condition",
         'except when newborn ("capillary specimen")'),
    said(r"^(?:release|pass|accept|verify)\b.*",
         "a rule never releases: a result leaves when no rule holds it", None, "line",
         "hold when result > 6.2 mmol/L"),
]  # fmt: skip

_HISTORY = [
    said(r"(\w+) (?:has )?changed (?:by )?(?:more than|over|>) (\d+(?:\.\d+)?\s*[^\s,]+)",
         "a change needs the time it is looked for in", _change, "condition"),
    said(r"(?:the )?(?:previous|last) (\w+)", "an earlier result needs the time it is looked for",
         "previous({1} within 7 days)", "condition"),
    said(r"\bpatient is (?:an? )?(\w+)", "a population is a condition by itself", "{1}",
         "condition"),
    said(r"\bsex\s*(?:==?|is an?)\s*\"?(\w+)\"?", "the sex of a patient is asked for with `is`",
         "sex is {1}", _CONDITION),
]  # fmt: skip

_STATES = [
    said(r"\bis (?:unknown|missing|absent|not available|not there|empty)\b",
         "a fact that is missing is `not known`", "is not known", _CONDITION),
    said(r"\bis (?:in the |an? )?(?:critical|panic)(?:ly)?(?: (?:range|value|result|high|low))?",
         "critical values are asked for with `is critical`", "is critical", _CONDITION),
    said(r"\b(?:is )?(?:outside|out)(?: of)?(?: the)? (reference|possible|measurable|"
         r"autorelease)"
         r"(?: (?:interval|range|limits?))?",
         "limits are asked for with `is outside` and the kind of limit", "is outside {1}",
         _CONDITION),
    said(r"\bis (?:not normal|abnormal|high|low|elevated|increased|decreased|normal)\b",
         "say which limit is meant, or a number", "is outside reference", _CONDITION),
    said(r"(?<!is)(?<!not)\s+(critical|known|between)\b", "`is` is missing", " is {1}",
         _CONDITION),
    said(rf"\bis between {_NUMBER}{_UNIT}\s*(?:to|-|–|\.\.)\s*{_NUMBER}(.*)",
         "the ends are joined by `and`", "is between {1}{2} and {3}{4}", _CONDITION),
]  # fmt: skip

_SIGN = "`{0}` is not a sign of the language"
_SIDE = rf"([<>]=?)\s*{_NUMBER}{_UNIT}"
_SIGNS = [
    said(rf"{_NUMBER}{_UNIT}\s*(<=?)\s*(\w+)\s*(<=?)\s*{_NUMBER}{_UNIT}",
         "comparisons can not be chained", _unchained, _CONDITION),
    said(rf"(\w+)\s*{_SIDE} (and|or)\s*{_SIDE}",
         "both sides of `or` and `and` are whole conditions", _both_sides, _CONDITION),
    said(r"==", _SIGN.format("=="), "=", _CONDITION),
    said(r"=>|≥", "this is not a sign of the language", ">=", _CONDITION),
    said(r"=<|≤", "this is not a sign of the language", "<=", _CONDITION),
    said(rf"(\w+)\s*(?:!=|<>|≠)\s*{_NUMBER}{_UNIT}", "this is not a sign of the language",
         "not ({1} = {2}{3})", _CONDITION),
    said(r" (?:or|and)$", "something is missing after `or` or `and`", "", _CONDITION),
    said(r"^([^()]*(?:\([^()]*\)[^()]*)*)\)$", "this bracket was never opened", "{1}",
         _CONDITION),
    said(r"^hold(?: specimen| potassium)?$", "a condition follows `hold when`", None, "condition",
         "hold when result is critical"),
]  # fmt: skip

_COMPARED = "comparisons are written with signs"
_COMPARISONS = [
    said(r"(?:is )?(?:more|greater|higher|larger|bigger) than or equal(?: to)?|(?:is )?>=\s*to|"
         r"(?:is )?(?:at least|not less than|no less than|not below|not under)",
         _COMPARED, ">=", _CONDITION),
    said(r"(?:is )?(?:less|lower|smaller) than or equal(?: to)?|"
         r"(?:is )?(?:at most|not more than|no more than|not above|not over|up to)",
         _COMPARED, "<=", _CONDITION),
    said(r"(?:is )?(?:(?:more|greater|higher|larger|bigger) than|over|above|exceeds|exceeding)\b",
         _COMPARED, ">", _CONDITION),
    said(r"(?:is )?(?:(?:less|lower|smaller|fewer) than|under|below)\b", _COMPARED, "<",
         _CONDITION),
    said(r"\bis (?=\d)", _COMPARED, "= ", _CONDITION),
    said(r"\bis not (?=[\d.]+)", "`is not` goes with words", None, _CONDITION,
         "hold when not (result = 6.2 mmol/L)"),
    said(r"\b(?:is )?(?:equals?(?: to)?|the same as)\b", _COMPARED, "=", _CONDITION),
    said(r"\bis ((?:[<>]=?|=)\s*\S+)", "`is` does not go with a sign", "{1}", _CONDITION),
    said(r"\s*&&?\s*", "`&` is not a word of the language", " and ", _CONDITION),
    said(r"\s*\|\|?\s*", "`|` is not a word of the language", " or ", _CONDITION),
    said(r"\s*,(?: and)? (?=\w+(?: \w+)*\s*(?:[<>=]|is\b))",
         "two conditions are joined by `and` or `or`", " and ", "condition"),
    said(r"\b(?:the|an?) (?!(?:is|within|and|or|then|changed)\b)(\w+)", "articles are left out",
         "{1}", "condition row head line scenario guarantee"),
]  # fmt: skip

_EDGE = "limits are written `below` and `above`"
_INTERVAL = "an interval is written `3.5 to 5.1`, with decimal points"
_ROWS = [
    said(r"^change((?: (?!no\b|not\b)\w+)?) (?:no |not )?(?:more than|max|maximum|up to)\s*",
         "a change limit says how much and within what time", "change{1} at most ", "row"),
    said(rf"^change((?: (?!at)\w+)?) (?={_NUMBER})",
         "a change limit says how much and within what time", "change{1} at most ", "row"),
    said(rf"(?<=most) {_NUMBER}{_UNIT} (?:in|over|during|per) (?=\d)",
         "a change limit says how much and within what time", " {1}{2} within ", "row"),
    said(rf"(?:<=|=<|≤)\s*{_NUMBER}{_UNIT}", _EDGE, "{1}{2} or below", "row"),
    said(rf"(?:>=|=>|≥)\s*{_NUMBER}{_UNIT}", _EDGE, "{1}{2} or above", "row"),
    said(rf"\b(?:low|lower|min) {_NUMBER}{_UNIT},? (?:and )?(?:high|upper|max) ", _EDGE,
         "below {1}{2}, above ", "row"),
    said(r"(?:<|\b(?:under|less than|lower than|smaller than)\b)\s*", _EDGE, "below ", "row"),
    said(r"(?:>|\b(?:over|more than|greater than|higher than)\b)\s*", _EDGE, "above ", "row"),
    said(r"\bor (?:less|lower|under|smaller)\b", _EDGE, "or below", "row"),
    said(r"\bor (?:more|higher|over|greater)\b", _EDGE, "or above", "row"),
    said(rf"{_NUMBER}{_UNIT},?(?: and| or)? (below|above)",
         "the two ends stand with a comma between them", "{1}{2}, {3}", "row"),
    said(rf"\s*(?:=|\bis|\bfrom|\bbetween)?\s*{_NUMBER}{_UNIT}\s*(?:to|and|-|–|−|\.\.)\s*"
         rf"{_NUMBER}", _INTERVAL, " {1}{2} to {3}", "row"),
    said(r"^(?:normal|usual|healthy)\b", "the usual values are called `reference`", "reference",
         "row"),
    said(r"^(?:panic|alert|alarm)\b", "these values are called `critical`", "critical", "row"),
    said(r"^(?:reportable|technical|linear|analytical)\b",
         "what the method can measure is called `measurable`", "measurable", "row"),
]  # fmt: skip

_CLAUSES = [
    said(r"^(?:reason|message|explanation|text|why)\b", "the reason begins with `because`",
         "because", "line"),
    said(r"^(?:note|remark)\b", "what goes out with the result begins with `comment`", "comment",
         "line"),
    said(r"^(?:ask )?(?:for )?(?:an? )?(?:redraw|recollect(?:ion)?|new sample|new specimen|"
         r"another specimen|new draw)$",
         "what to do is written `ask for`", "ask for new specimen", "line"),
    said(r"^(?:ask )?(?:for )?(?:an? )?(?:rerun|repeat|re-run|remeasure)$",
         "what to do is written `ask for`", "ask for rerun", "line"),
    said(r"^(?:ask )?(?:for )?(?:an? )?(?:dilute|dilution|diluted rerun)$",
         "what to do is written `ask for`", "ask for dilution", "line"),
    said(r"^(?:call|phone|notify|tell|inform)(?: the)? (\w+)(?: (?:in|within|under|before) (.+))?$",
         "a call says within what time",
         lambda g: f"call {g[1]} within {g[2] or '30 minutes'}", "line"),
    said(r"^wait (?:for )?(?:up )?(?:to )?(\d+ \w+) for\b", "a wait is written `wait up to`",
         "wait up to {1} for", "line"),
    said(r"^wait (?:for )(\w+(?:, \w+)*)$", "a wait is written `wait up to`",
         "wait up to 20 minutes for {1}", "line"),
    said(r"^LOINC\b", "a code begins with `code`", "code LOINC", "line"),
    said(r"\b(code|as) (?=\d+-\d)", "a code begins with `LOINC` or `local`", "{1} LOINC ", "line"),
    said(r"\bLOINC \d+$", "a LOINC code ends with a hyphen and its check digit", None, "line",
         "code LOINC 2823-3"),
    said(r"^(code|.+,) (?=\")", "a code begins with `LOINC` or `local`", "{1} local ", "line"),
    said(r"^units?:? (\w+)\s+per\s+(\w+)", "a unit is one word", "unit {1}/{2}", "line"),
    said(r"^units\b|^measured in\b", "the unit of a test begins with `unit`", "unit", "line"),
    said(r" (?:with )?(\d+) (?:decimals?|digits?|places?)$", "decimals are written `decimals 1`",
         " decimals {1}", "line"),
    said(r"\bdecimals (?:none|one|two|three)\b", "decimals is a whole number", None, "line",
         "decimals 1"),
    said(r"^(?:specimens?|samples?|in) (\w+) (?:and|or) (\w+)", "a list has commas", "in {1}, {2}",
         "line"),
]  # fmt: skip

_HEADS = [
    said(r"^rule (for \w+)", "the rule has no name", "rule my-rule {1}", "head"),
    said(r"^rule (\"[^\"]*\"|[\w-]+(?: (?!for\b|from\b)[\w-]+)+)",
         "the name of a rule is one word, with hyphens", _joined_name, "head"),
    said(r"\bfor (?:all|any|each|every)(?: of)?(?: the)?(?: tests?)?\b",
         "every test is written `for every test`", "for every test", "head"),
    said(r"(?<=[\w,]),? (?:and|or|&) (?=\w+)", "a list has commas", ", ",
         "head line scenario"),
    said(r"^limits? (?!for\b)(?=\w)", "the tests of limits come after `for`", "limits for ",
         "head"),
    said(r"^(limits for \w+) \d.*", "the rows of limits stand below, indented", None, "head",
         "reference 3.5 to 5.1"),
    said(r"^test (\w+) ([A-Za-z][^\"]*)$", "a title stands in quotation marks", 'test {1} "{2}"',
         "head"),
    said(r"^test (\"[^\"]*\")", "a test has a name of one word before its title",
         lambda g: f"test {'_'.join(re.findall(r'[a-z0-9]+', g[1].lower())) or 'name'} {g[1]}",
         "head"),
    said(r"^derive (\w+)(?: (\"[^\"]*\"))? = .*", "the formula is a line of its own, indented",
         None, "head", "formula potassium - calcium"),
    said(r"^(population \w+) (?:=|is|means) ", "the condition follows the name", "{1} ",
         "condition"),
]  # fmt: skip

_FORMULAS = [
    said(r"^(?!formula\b|let\b)(\w+\s*[-+*/(].*)$", "the formula begins with `formula`",
         "formula {1}", "formula"),
    said(r"^formula\s*=\s*", "the formula follows the word `formula`", "formula ", "formula"),
    said(r" minus ", "arithmetic is written with signs", " - ", _CONDITION),
    said(r" plus ", "arithmetic is written with signs", " + ", _CONDITION),
    said(r"\s*(?:[×·]| x | times )\s*", "arithmetic is written with signs", " * ",
         _CONDITION),
    said(r"\s*(?:[÷]| divided by )\s*", "arithmetic is written with signs", " / ",
         _CONDITION),
    said(r"([\w.]+)\s*(?:\^|\*\*)\s*(-?[\d.]+)", "powers are written `pow(x, 2)`", "pow({1}, {2})",
         _CONDITION),
    said(r"(\bif [^,]+), (?!then)", "a choice is written `if … then … else …`", "{1} then ",
         _CONDITION),
]  # fmt: skip

BOOK: tuple[Phrase, ...] = (
    *AROUND, *CASES,
    *_QUOTED, *_NUMBERS, *_AGES, *_WHEN, *_HISTORY, *_STATES, *_SIGNS, *_COMPARISONS, *_ROWS,
    *_CLAUSES, *_HEADS, *_FORMULAS,
)  # fmt: skip
