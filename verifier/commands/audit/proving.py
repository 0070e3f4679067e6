"""`verifier audit prove` and `check-proof`: one entry, or the growth of the log, for others to
check offline."""

import argparse
import sys
from pathlib import Path


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the two actions."""
    prove = actions.add_parser(
        "prove",
        help="write a proof that an entry is in the log, or that the log only grew",
        description="Writes one JSON file with the hashes, the signed checkpoint and the public "
        "key. It proves that entry ENTRY (counted from 0) lies under the newest checkpoint; or, "
        "with --from, that a later checkpoint holds all that was signed before, unchanged.",
        epilog="example: verifier audit prove 1207 --out entry.json\n"
        "example: verifier audit prove --from 500 --to 1200 --out growth.json",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    prove.add_argument("entry", nargs="?", type=int, metavar="ENTRY")
    prove.add_argument("--from", dest="old", type=int, metavar="SIZE", help="earlier checkpoint")
    prove.add_argument(
        "--to", dest="new", type=int, metavar="SIZE", help="later one, the newest if not given"
    )
    prove.add_argument("--out", type=Path, required=True, metavar="FILE", help="a new file")
    prove.add_argument(
        "--with-details", action="store_true", help="show the details, which may name a patient"
    )
    prove.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    prove.add_argument(
        "--log", default="", metavar="NODE", help="of this node, where several share the database"
    )
    prove.set_defaults(run=run_prove)
    checking = actions.add_parser(
        "check-proof",
        help="check a proof offline",
        description="Needs neither the log nor a configuration. Name the public key you have "
        "from elsewhere (audit.public): the one inside a proof may be anybody's.",
        epilog="example: verifier audit check-proof entry.json --key copy/audit.public",
    )
    checking.add_argument("file", type=Path, metavar="FILE")
    checking.add_argument("--key", type=Path, metavar="FILE", help="the public key kept elsewhere")
    checking.set_defaults(run=run_check)


def run_prove(args: argparse.Namespace) -> int:
    """Write a proof; an existing file is never overwritten."""
    from verifier.errors import StoreError, VerifierError
    from verifier.settings import load
    from verifier.store import proofs
    from verifier.store.store import Store

    if (args.entry is None) == (args.old is None) or (args.new and args.old is None):
        raise VerifierError("name either an ENTRY, or --from and perhaps --to")
    with Store.of(load(args.config), writable=False) as store:
        proof: proofs.Inclusion | proofs.Consistency
        if args.old is None:
            proof = store.prove_entry(args.entry, details=args.with_details, log=args.log)
        else:
            proof = store.prove_growth(args.old, args.new, args.log)
    try:
        with args.out.open("xb") as file:
            file.write(proofs.write(proof))
    except OSError as error:
        raise StoreError(f"{args.out}: {error.strerror}") from error
    print(f"{args.out}: {proofs.check(proof).says[0]}")
    return 0


def run_check(args: argparse.Namespace) -> int:
    """Say what a proof shows: 0 it is proved, 1 it is not."""
    from verifier.errors import StoreError
    from verifier.store import proofs
    from verifier.store.notes import PublicKey

    try:
        key = PublicKey.read(args.key.read_text(encoding="utf-8")) if args.key else None
        proof = proofs.read(args.file.read_bytes())
    except (OSError, ValueError) as error:
        raise StoreError(f"proof or key can not be read: {error}") from error
    proved = proofs.check(proof, key)
    for finding in proved.findings:
        print(f"finding: {finding}")
    if not proved.findings:
        print("\n".join(proved.says))
    if key is None:
        print(
            f"checked with the key inside the proof, {proof.key}: compare it with one you have "
            "from elsewhere (--key)",
            file=sys.stderr,
        )
    print("not proved" if proved.findings else "proved")
    return 1 if proved.findings else 0
