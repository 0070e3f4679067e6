"""Settings of what people do: comments, reasons, signatures, calls."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

CODE = r"^[A-Za-z0-9_.-]{1,20}$"
Act = Literal["release", "suppress", "reject", "ask", "correct", "undo", "batch", "call"]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Coded(_Part):
    """A text the laboratory says often, under a short code."""

    code: str = Field(pattern=CODE)
    text: str = Field(min_length=1, max_length=400)


COMMENTS = (
    Coded(code="CHECKED", text="Measured again and confirmed."),
    Coded(code="HEMOLYZED", text="The specimen is hemolyzed; the value may be falsely high."),
    Coded(code="CLOTTED", text="The specimen is clotted."),
    Coded(code="TOO-LITTLE", text="There was too little specimen to measure again."),
    Coded(code="DILUTED", text="Measured after dilution."),
    Coded(code="PHONED", text="The result was told by telephone."),
)
REASONS = (
    Coded(code="FITS", text="It fits the patient's illness or treatment."),
    Coded(code="REPEATED", text="The measurement was repeated and agrees."),
    Coded(code="KNOWN", text="The same was found before and is known."),
    Coded(code="SPECIMEN-SEEN", text="The specimen was looked at and is sound."),
    Coded(code="RULE-WRONG", text="The rule does not fit here; it should be looked at."),
)
LINES = ("whoever asked for the test", "the doctor on duty of the ward", "our doctor on duty")


class Acts(_Part):
    """What is asked of people when they settle results.

    `undo_seconds` is how long what a person released is kept back so that it can be taken back;
    `password` names acts that need the password again besides those that always do; `words` stand
    in place of a suppressed value.
    """

    undo_seconds: float = Field(10, ge=0, le=600)
    override_reason: Literal["required", "optional"] = "required"
    reasons: tuple[Coded, ...] = REASONS
    password: tuple[Act, ...] = ()
    words: str = Field("not reported", min_length=1, max_length=200)


class Calls(_Part):
    """How critical results are told by telephone.

    A call is due `within_minutes` after the result was judged, or as many as the rule says. Every
    `escalate_minutes` it stays open, and every `escalate_attempts` attempts that reached nobody, it
    goes to the next of `lines`. The same patient's same test is not called again within
    `known_hours` after it was read back or closed as known, unless it lies on the other side, is
    further from normal than the value told by `worse_percent` of that, or can not be compared.
    `when` says whether calling must come before release, after it, or as it happens.
    """

    within_minutes: int = Field(30, gt=0)
    escalate_minutes: int = Field(15, gt=0)
    escalate_attempts: int = Field(2, gt=0)
    lines: tuple[str, ...] = Field(LINES, min_length=1)
    known_hours: float = Field(24, ge=0)
    worse_percent: float = Field(10, ge=0)
    when: Literal["either", "before release", "after release"] = "either"
