"""How a person signs on the command line, by name and password."""

import argparse
import getpass
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.settings import Settings
    from verifier.store.rows import Person
    from verifier.store.store import Store


def takes_person(parser: argparse.ArgumentParser, say: str, *, required: bool) -> None:
    """Let a command be done by a person of the database."""
    parser.add_argument("--as", dest="person", required=required, metavar="NAME", help=say)
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help="read the password from the first line of FILE, - for standard input; "
        "without it you are asked",
    )


def signed(
    store: "Store", settings: "Settings", args: argparse.Namespace, purpose: str
) -> "Person":
    """Return the person of ``--as`` once the password fits; `purpose` goes on record.

    Raises:
        RefusedError: name or password is wrong, or the account is locked.
    """
    from verifier.store.signin import sign_in

    password = password_of(args.password_file)
    if password is None:
        password = getpass.getpass(f"Password of {args.person}: ")
    web = settings.web
    return sign_in(
        store, args.person, password, lock_after=web.lock_after_failures,
        lock_minutes=web.lock_minutes, purpose=purpose,
    )  # fmt: skip


def password_of(source: str | None) -> str | None:
    """Return the first line of a file, ``-`` for standard input; None when no file is named.

    Raises:
        RefusedError: the file can not be read.
    """
    from verifier.errors import RefusedError

    if not source:
        return None
    if source == "-":
        return sys.stdin.readline().rstrip("\r\n")
    try:
        with open(source, encoding="utf-8") as file:
            return file.readline().rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise RefusedError(
            "%(source)s can not be read: %(error)s", source=source, error=error
        ) from error


def opened(config: Path) -> "tuple[Settings, Store]":
    """Return the settings of a site and its database, open for writing."""
    from verifier import settings
    from verifier.store.store import Store

    loaded = settings.load(config)
    return loaded, Store.of(loaded)


def headline(number: int, authors: tuple[str, ...], note: str) -> str:
    """Return who wrote a version and what they say is new in it."""
    return f"version {number} by {', '.join(authors)}" + (f": {note}" if note else "")
