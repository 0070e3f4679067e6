"""Allowable total errors in percent and in the unit of the test, and what sigma comes of them."""

from decimal import Decimal
from pathlib import Path

import pytest

from verifier.errors import SettingsError
from verifier.quality.figures import Allowable, figures
from verifier.settings import parse

SITE = {"connections": {"chem": {"port": 1}}}


def at(target: str, **given: str) -> Decimal | None:
    return Allowable(**{k: Decimal(v) for k, v in given.items()}).at(Decimal(target))


def test_the_greater_of_percent_and_absolute_counts() -> None:
    """Glucose ±6 mg/dL or 8 %, 42 CFR 493.931 of 2025 (from memory): they meet at 75 mg/dL."""
    limit = {"percent": "8", "absolute": "6"}
    assert at("100", **limit) == 8
    assert at("75", **limit) == 8
    assert at("60", **limit) == 10
    assert at("4", absolute="0.3") == Decimal("7.5"), "potassium ±0.3 mmol/L at 4 mmol/L"
    assert at("0", absolute="0.3") is None
    assert Allowable().at(Decimal(4)) is None


def test_sigma_by_hand() -> None:
    """Sodium ±4 mmol/L at 140: 2.857 %; mean 141, SD 1: bias 0.714 %, CV 0.709 %, sigma 3.02."""
    values = [Decimal(v) for v in (140, 141, 142)]
    told = figures(values, Decimal(140), at("140", absolute="4"))
    assert told.sigma is not None
    assert round(told.sigma, 2) == Decimal("3.02")


def test_it_is_read_from_settings() -> None:
    given = {"chloride": 5, "sodium": {"absolute": 4}, "glucose": {"percent": 8, "absolute": 0.33}}
    read = parse({**SITE, "quality": {"allowable": given}}, Path("verifier.toml"))
    told = {name: one.known() for name, one in read.quality.allowable.items()}
    assert told["chloride"] == Allowable(Decimal(5))
    assert told["sodium"] == Allowable(None, Decimal(4))
    assert told["glucose"] == Allowable(Decimal(8), Decimal("0.33"))


@pytest.mark.parametrize("wrong", [{}, -1, {"absolute": 0}, {"relative": 3}, "much"])
def test_a_wrong_one_is_refused(wrong: object) -> None:
    with pytest.raises(SettingsError, match=r"quality\.allowable\.sodium"):
        parse({**SITE, "quality": {"allowable": {"sodium": wrong}}}, Path("verifier.toml"))
