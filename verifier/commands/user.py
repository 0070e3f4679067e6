"""`verifier user`: who may sign in, with which role."""

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules.signing import password_of

if TYPE_CHECKING:
    from verifier.store.rows import Person
    from verifier.store.store import Store
    from verifier.store.transaction import Transaction

ROLES = ("technologist", "pathologist", "administrator")


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `user` with its actions."""
    parser = subparsers.add_parser(
        "user",
        help="add people, list them, change role, password or end, lock and unlock",
        epilog="example: verifier user add ann --role technologist --config verifier.toml",
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    add = _action(actions, "add", "add somebody", _add)
    add.add_argument("--role", choices=ROLES, required=True)
    _takes_password(add)
    _action(actions, "list", "list everybody", _list, named=False)
    role = _action(actions, "role", "give somebody another role", _role)
    role.add_argument("role", choices=ROLES)
    _action(actions, "lock", "lock somebody out until unlocked", _lock)
    _action(actions, "unlock", "let somebody in again", _unlock)
    _takes_password(_action(actions, "password", "give somebody another password", _password))
    ends = _action(actions, "expires", "let an account end after a day, or never", _expires)
    ends.add_argument("day", metavar="DAY", help="the last day, as 2026-12-31, or: never")
    _action(actions, "reset-factor", "take the second factor away; all sessions end", _reset)
    link = _action(actions, "link", "say whom the identity provider means", _link)
    say = "issuer and subject as the audit log shows them, or: none"
    link.add_argument("subject", metavar="SUBJECT", help=say)
    _action(actions, "sign-out", "end all sessions of somebody", _sign_out)


def _action(
    actions: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    text: str,
    work: "Callable[[Store, argparse.Namespace], int]",
    *,
    named: bool = True,
) -> argparse.ArgumentParser:
    example = {
        "list": "",
        "role": " ann pathologist",
        "add": " ann --role technologist",
        "expires": " ann 2026-12-31",
        "link": ' ann "https://identity.lab.example 4711"',
    }
    epilog = f"example: verifier user {name}{example.get(name, ' ann')}"
    parser = actions.add_parser(name, help=text, description=text, epilog=epilog)
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    if named:
        parser.add_argument("name", metavar="NAME")
    parser.set_defaults(run=lambda args: _run(args, work))
    return parser


def _takes_password(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--password-file",
        metavar="FILE",
        help="read the password from the first line of FILE, - for standard input; "
        "without it you are asked",
    )


def _run(args: argparse.Namespace, work: "Callable[[Store, argparse.Namespace], int]") -> int:
    from verifier.settings import load
    from verifier.store.store import Store

    settings = load(args.config)
    args.settings = settings
    with Store.of(settings) as store:
        return work(store, args)


def _add(store: "Store", args: argparse.Namespace) -> int:
    from verifier.store.people import hash_password

    hashed = hash_password(_password_of(args), args.name, args.settings.laboratory)
    _recorded(
        store, args, f"added as {args.role}", lambda tx: tx.add_person(args.name, args.role, hashed)
    )
    return 0


def _list(store: "Store", args: argparse.Namespace) -> int:
    people, armed = store.read(lambda reader: (reader.people(), reader.with_second_factor()))
    for person in people:
        state = [_state(person)]
        state += ["second factor"] if person.name in armed else []
        state += ["by the identity provider"] if person.subject else []
        print(f"{person.name}\t{person.role}\t{', '.join(state)}")
    return 0


def _state(person: "Person") -> str:
    from verifier import clock

    if person.locked:
        return "locked"
    if person.ended(clock.now()):
        return "ended"
    return f"may sign in until {person.ends:%Y-%m-%d %H:%M %Z}" if person.ends else "may sign in"


def _role(store: "Store", args: argparse.Namespace) -> int:
    _recorded(
        store, args, f"given the role {args.role}", lambda tx: tx.set_role(args.name, args.role)
    )
    return 0


def _lock(store: "Store", args: argparse.Namespace) -> int:
    _recorded(store, args, "locked", lambda tx: tx.lock_person(args.name))
    return 0


def _unlock(store: "Store", args: argparse.Namespace) -> int:
    _recorded(store, args, "unlocked", lambda tx: tx.unlock_person(args.name))
    return 0


def _password(store: "Store", args: argparse.Namespace) -> int:
    from verifier.store.people import hash_password

    hashed = hash_password(_password_of(args), args.name, args.settings.laboratory)
    _recorded(store, args, "given another password", lambda tx: tx.set_password(args.name, hashed))
    return 0


def _expires(store: "Store", args: argparse.Namespace) -> int:
    from zoneinfo import ZoneInfo

    from verifier.service.days import end_of

    ends = None if args.day == "never" else end_of(args.day, ZoneInfo(args.settings.zone))
    said = "let end never" if ends is None else f"let end after {args.day}"
    _recorded(store, args, said, lambda tx: tx.set_end(args.name, ends))
    return 0


def _reset(store: "Store", args: argparse.Namespace) -> int:
    what = "second factor taken away"
    _recorded(store, args, what, lambda tx: tx.remove_second_factor(args.name))
    return 0


def _link(store: "Store", args: argparse.Namespace) -> int:
    subject = None if args.subject == "none" else args.subject
    said = f"meant by the identity provider as {subject}" if subject else "no longer of a provider"
    _recorded(store, args, said, lambda tx: tx.set_subject(args.name, subject))
    return 0


def _sign_out(store: "Store", args: argparse.Namespace) -> int:
    _recorded(store, args, "signed out everywhere", lambda tx: tx.end_sessions(args.name))
    return 0


def _recorded(
    store: "Store",
    args: argparse.Namespace,
    what: str,
    change: "Callable[[Transaction], object]",
) -> None:
    """Make a change and its audit entry in one transaction, then say so."""
    import getpass

    who = f"command line ({getpass.getuser()})"

    def work(tx: "Transaction") -> None:
        change(tx)
        tx.audit(who, what, f"person:{args.name}")

    store.write(work)
    print(f"{args.name}: {what}")


def _password_of(args: argparse.Namespace) -> str:
    from verifier.errors import RefusedError

    given = password_of(args.password_file)
    if given is not None:
        return given
    import getpass

    first = getpass.getpass(f"New password of {args.name}: ")
    if getpass.getpass("Again: ") != first:
        raise RefusedError("The two passwords differ.")
    return first
