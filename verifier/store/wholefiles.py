"""Small files that are either written as a whole or not at all, whatever stops us meanwhile."""

import os
from pathlib import Path


def write_whole(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Put `data` in place of what a file holds, for good. Raises OSError, then nothing changed."""
    beside = path.with_name(f"{path.name}.new")
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, mode)
    with os.fdopen(descriptor, "wb") as file:
        os.fchmod(descriptor, mode)  # it may be left over from a start that was killed
        file.write(data)
        file.flush()
        os.fsync(descriptor)
    beside.replace(path)
    sync_folder(path.parent)


def append_whole(path: Path, size: int, data: bytes) -> None:
    """Write `data` behind the first `size` bytes of a file and nothing else behind them, for good.

    Raises:
        OSError: nothing was appended (disk full, read-only).
    """
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    with os.fdopen(descriptor, "r+b") as file:
        file.truncate(size)
        try:
            file.seek(size)
            file.write(data)
            file.flush()
            os.fsync(descriptor)
        except OSError:
            os.ftruncate(descriptor, size)
            raise


def sync_folder(folder: Path) -> None:
    """Make a name in a folder as durable as the file it names."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
