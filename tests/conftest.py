"""Makes `databases` importable by every room of tests, and keeps tests from dating each other."""

import time

import pytest

from verifier.store import ids


@pytest.fixture(autouse=True)
def ids_of_now() -> None:
    """Ids go on from the largest seen; what one test dated ahead must not date the next one's."""
    if ids.IDS._moment > time.time() * 1000 + 1000:
        ids.IDS._moment = 0
