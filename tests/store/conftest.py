"""An open store in a fresh folder, with a clock the test turns by hand."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from databases import ON_POSTGRES, database_url
from handclock import HandClock

from verifier.store import Store


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def place(tmp_path: Path) -> str:
    return database_url(tmp_path / "data")


@pytest.fixture
def database(tmp_path: Path) -> Path:
    """The file itself, for tests that change or look at it behind the store's back."""
    if ON_POSTGRES:
        pytest.skip("of the SQLite file")
    return tmp_path / "data" / "verifier.db"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "elsewhere" / "checkpoints"


@pytest.fixture
def store(place: str, folder: Path, clock: HandClock) -> Iterator[Store]:
    with Store.open(place, checkpoints=folder, clock=clock) as opened:
        yield opened
