"""The option that makes the faults long."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--campaign",
        type=int,
        default=0,
        metavar="N",
        help="how many kills, rounds or examples each fault gets; 0: the few of the normal run",
    )


@pytest.fixture(scope="session")
def campaign(pytestconfig: pytest.Config) -> int:
    """How many were asked for; 0 where the option is unknown, as in a run of all tests."""
    return int(pytestconfig.getoption("campaign", 0))
