"""`verifier rules import|export|versions`: between a folder and the versions in the database."""

import argparse
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules.signing import headline, opened, signed, takes_person
from verifier.commands.rules.testing import show_progress
from verifier.errors import RefusedError

if TYPE_CHECKING:
    from datetime import datetime

    from verifier.language import Checked
    from verifier.service.ruleshelf import Shelf
    from verifier.service.rulestate import Listed
    from verifier.settings import Settings
    from verifier.store.rulerows import RuleTexts, VersionRow
    from verifier.store.store import Store
    from verifier.store.transaction import Reader, Transaction

IMPORT_EXAMPLE = """example:
  verifier rules import my-rules --as ada --note "potassium 6.0, SOP-CHEM-014 v8"
  verifier rules import my-rules --note "built by the nightly job" --config verifier.toml

With --as a person is on record as its writer, and does not count as the one who approves and did
not write it. Without, it is the account on this machine, and nobody knows who wrote it. The same
rules imported again with --as put that person among the writers.

The draft decides nothing until it is replayed, approved by two people and activated. The
[parameters] of the configuration are part of it.

Its guarantees are proved as well. Where one is refuted the case is shown, and nobody can approve
it.

exit codes: 0 the draft is fit for use, 1 it has errors or breaks a guarantee and stays a draft,
            2 wrong use"""

EXPORT_EXAMPLE = """example:
  verifier rules export 3 my-rules --config verifier.toml

Files come out byte for byte as they went in. The folder must be new or empty.

exit codes: 0 written, 2 there is no such version, or the folder can not be written"""

VERSIONS_EXAMPLE = """example:
  verifier rules versions --config verifier.toml
  verifier rules versions --json | jq '.[] | select(.state == "active").version'

exit codes: 0 printed, 2 the database can not be read"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the actions."""
    take = _action(
        actions, "import", "keep the rules of a folder as a new draft, and check it", IMPORT_EXAMPLE
    )
    take.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    take.add_argument("--note", default="", help="what is new in it, for those who approve it")
    say = "the person who wrote it, by password; without, the account on this machine is on record"
    takes_person(take, say, required=False)
    take.set_defaults(run=run_import)
    give = _action(actions, "export", "write a version into a new folder", EXPORT_EXAMPLE)
    give.add_argument("version", type=int, metavar="VERSION", help="its number")
    give.add_argument("folder", type=Path, metavar="DIR", help="a new or empty folder")
    give.set_defaults(run=run_export)
    show = _action(actions, "versions", "list every version and where it stands", VERSIONS_EXAMPLE)
    show.add_argument("--json", action="store_true", help="print one JSON array, newest first")
    show.set_defaults(run=run_versions)


def _action(
    actions: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, say: str, epilog: str
) -> argparse.ArgumentParser:
    raw = argparse.RawDescriptionHelpFormatter
    parser = actions.add_parser(
        name, help=say, description=f"{say.capitalize()}.", epilog=epilog, formatter_class=raw
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    return parser


def run_import(args: argparse.Namespace) -> int:
    """Keep a draft and check it; 1 when it has errors."""
    from verifier.commands.suspend import operator
    from verifier.service.ruleshelf import WRITES, add, edit, may
    from verifier.service.ruletexts import read_folder

    settings, store = opened(args.config)
    with store:
        written = read_folder(args.folder, settings.parameters)
        known, settled = store.read(lambda reader: _same_texts(reader, written.hash))
        if known and (settled or not args.person or args.person in known.authors):
            print(f"this is version {known.id} to the last byte; nothing was imported")
            return 0
        who = operator()
        if args.person:
            person = signed(store, settings, args, "gave the password to draft rules")
            may(person, WRITES, "write rules")
            who = person.name

        def keep(tx: "Transaction") -> "VersionRow":
            if known:  # imported before without a name, or by somebody else
                return edit(
                    tx, person, known.id, written.files, args.note or known.note, known.hash
                )
            return add(tx, who, written, args.note)

        version = store.write(keep)
        if known:
            print(f"this is version {known.id} to the last byte; {who} is now among its writers")
        code = _report(store, settings, who, version, written)
    _tell_next(args, version, who, fit=code == 0)
    return code


def _same_texts(reader: "Reader", hashed: str) -> "tuple[VersionRow | None, bool]":
    """Return the version of these very texts, and whether it stays as it is."""
    known = reader.rule_version_by_hash(hashed)
    ordered = {row.version for row in reader.rule_activations()}
    return known, known is not None and known.id in ordered


def _tell_next(args: argparse.Namespace, version: "VersionRow", who: str, *, fit: bool) -> None:
    """Say what is to be done next, and what it means that nobody is named as the writer."""
    number, config = version.id, f"--config {args.config}"
    if not args.person:
        print(
            f"its writer on record is {who}, which is no person who signs in.\n"
            "So whoever wrote it could pass for the one who approves and did not write it.\n"
            "To be named as its writer:\n"
            f"  verifier rules import {args.folder} --as NAME {config}"
        )
    if fit:
        print(
            "next, in this order:\n"
            f"  verifier replay --candidate {number} {config}\n"
            f"  verifier approve {number} --as NAME {config}    by two people, one of whom did not "
            "write it\n"
            f"  verifier activate {number} --as NAME {config}"
        )


def _report(
    store: "Store", settings: "Settings", who: str, version: "VersionRow", written: "RuleTexts"
) -> int:
    from verifier.service.rulechecks import check_version

    try:
        checked = check_version(store, settings, who, version.id, partial(show_progress, "proving"))
    except RefusedError as refused:
        print(f"{refused}\n\nversion {version.id} stays a draft; nobody can approve it")
        return 1
    if checked.diagnostics:
        print(_findings(written, checked), end="\n\n")
    if checked.program is None:
        print(f"version {version.id} is a draft with errors; mend the files and import them again")
        return 1
    program = checked.program
    print(f"version {version.id} is checked: {len(program.rules)} rules")
    print(f"  guarantees {_guarantees(store, version)}")
    print(f"  hash      {version.hash}\n  rule set  {program.identity}")
    _tell_changes(store, version, written)
    return 0


def _guarantees(store: "Store", version: "VersionRow") -> str:
    from verifier.assurance.guaranteed import standing
    from verifier.service.ruleguarantees import needed_proofs

    return standing(store.read(lambda reader: needed_proofs(reader, version)))


def _findings(written: "RuleTexts", checked: "Checked") -> str:
    from verifier.language import render

    lines = {name: text.split("\n") for name, text in written.files.items()}
    return "\n\n".join(
        render(item, lines.get(item.file, []), False) for item in checked.diagnostics
    )


def _tell_changes(store: "Store", version: "VersionRow", written: "RuleTexts") -> None:
    from verifier import clock
    from verifier.service.ruleshelf import texts
    from verifier.service.ruletexts import compared

    active = store.read(lambda reader: reader.rule_active(clock.now()))
    if active is None:
        return
    old = store.read(lambda reader: texts(reader, active.version))
    print(f"against version {active.version}, which is active:")
    for sentence in compared(old, written) or ["the meaning is the same"]:
        print(f"  {sentence}")


def run_export(args: argparse.Namespace) -> int:
    """Write the files of a version."""
    from verifier.service.ruleshelf import texts
    from verifier.service.ruletexts import write_folder

    with opened(args.config)[1] as store:
        written = store.read(lambda reader: texts(reader, args.version))
    write_folder(args.folder, written)
    print(f"version {args.version} written to {args.folder}: {len(written.files)} files")
    if written.parameters:
        print("it was used with these numbers of the site:\n[parameters]")
        for name, value in sorted(written.parameters.items()):
            print(f"{name} = {json.dumps(value, ensure_ascii=False)}")
    return 0


def run_versions(args: argparse.Namespace) -> int:
    """List versions, newest first."""
    from verifier import clock
    from verifier.service.ruleshelf import shelf

    now = clock.now()
    with opened(args.config)[1] as store:
        found = store.read(lambda reader: shelf(reader, now))
    if args.json:
        print(json.dumps([_as_json(each, found) for each in found.versions], indent=2))
        return 0
    for each in found.versions:
        version = each.version
        print(f"{headline(version.id, version.authors, version.note)}")
        print(f"  {each.state}{_since(each, found)}")
        print(f"  hash {version.hash[:12]}, rule set {version.identity[:12] or 'not checked'}")
        if each.approved_by:
            print(f"  approved by {', '.join(each.approved_by)}")
    if not found.versions:
        print("there is no version yet; the first start of the service makes one")
    return 0


def _decides_from(each: "Listed", found: "Shelf") -> "datetime | None":
    """Return when an active version began to decide, or an ordered one will."""
    for row in (found.course.active, found.course.pending):
        if row and row.version == each.version.id:
            return row.at
    return None


def _since(each: "Listed", found: "Shelf") -> str:
    at = _decides_from(each, found)
    return f" from {at:%Y-%m-%d %H:%M:%S} UTC" if at else ""


def _as_json(each: "Listed", found: "Shelf") -> dict[str, object]:
    version, at = each.version, _decides_from(each, found)
    return {
        "version": version.id,
        "state": each.state,
        "from": at.isoformat() if at else None,
        "created": version.created.isoformat(),
        "authors": list(version.authors),
        "note": version.note,
        "hash": version.hash,
        "rule_set": version.identity or None,
        "approved_by": list(each.approved_by),
    }
