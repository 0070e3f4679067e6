"""Mean, SD, CV, bias and sigma metric against certified values and worked examples."""

import random
import statistics
from decimal import Decimal

import pytest

from verifier.quality.figures import figures

# NIST Statistical Reference Datasets, univariate summary statistics: certified mean and SD.
NUM_ACC_1 = [10_000_001, 10_000_003, 10_000_002]
NUM_ACC_2 = [Decimal("1.2")] + [Decimal("1.1"), Decimal("1.3")] * 500
NUM_ACC_3 = [Decimal("1000000.2")] + [Decimal("1000000.1"), Decimal("1000000.3")] * 500
NUM_ACC_4 = [Decimal("10000000.2")] + [Decimal("10000000.1"), Decimal("10000000.3")] * 500


@pytest.mark.parametrize(
    ("values", "mean", "sd"),
    [
        (NUM_ACC_1, "10000002", "1"),
        (NUM_ACC_2, "1.2", "0.1"),
        (NUM_ACC_3, "1000000.2", "0.1"),
        (NUM_ACC_4, "10000000.2", "0.1"),
    ],
)
def test_certified_means_and_deviations(values: list[object], mean: str, sd: str) -> None:
    """NIST StRD, NumAcc1 to NumAcc4 (certified values, from memory)."""
    told = figures([Decimal(value) for value in values])  # type: ignore[arg-type]
    assert (told.mean, told.sd) == (Decimal(mean), Decimal(sd))


def test_bias_and_sigma() -> None:
    """Sigma = (TEa − |bias|) / CV in percent; computed by hand: mean 102, SD 2, target 100."""
    told = figures([Decimal(v) for v in (100, 102, 104)], Decimal(100), Decimal(10))
    assert (told.n, told.mean, told.sd, told.bias) == (3, 102, 2, 2)
    assert told.cv is not None
    assert round(told.cv, 6) == Decimal("1.960784")
    assert told.sigma is not None
    assert round(told.sigma, 2) == Decimal("4.08")


def test_what_can_not_be_said_is_left_out() -> None:
    assert figures([]).mean is None
    one = figures([Decimal(5)], Decimal(5), Decimal(10))
    assert (one.n, one.sd, one.cv, one.sigma) == (1, None, None, None)
    still = figures([Decimal(5)] * 3, Decimal(5), Decimal(10))
    assert (still.sd, still.sigma) == (0, None)


def test_as_the_standard_library_has_it() -> None:
    source = random.Random(3)
    values = [Decimal(source.randint(300, 700)).scaleb(-2) for _ in range(200)]
    told = figures(values)
    assert told.sd is not None
    assert round(told.sd, 20) == round(statistics.stdev(values), 20)
