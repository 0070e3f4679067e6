"""The rules to read: the active set and any version of it, in sentences beside the text."""

from fastapi import APIRouter, Depends, HTTPException
from fastapi.responses import Response

from verifier.language import Program
from verifier.rulefiles import read_files, without_marks
from verifier.service import ruleshelf
from verifier.store.rows import Session
from verifier.store.rulerows import RuleTexts
from verifier.store.transaction import Reader
from verifier.web.catalogue import say
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor
from verifier.web.rulebook import Book, book_of

router = APIRouter()
MOST_FOUND = 60


@router.get("/rules", dependencies=[Depends(May("look"))])
def active(desk: TheDesk, session: Visitor, find: str = "") -> Response:
    """Show the active set: what it is, its files, its rules and tests; or what was looked for."""
    judge = desk.line.judge
    book = _book(active_texts(desk), judge.program)
    find = find.strip()[:100]

    def gather(reader: Reader) -> Content:
        return {
            "listed": _listed(reader, desk, judge.version),
            "program": judge.program,
            "alarm": desk.line.alarm,
            "book": book,
            "find": find,
            "found": book.found(find) if find else [],
            "most": MOST_FOUND,
        }

    return desk.show("rules.html", session, gather)


@router.get("/rules/file", dependencies=[Depends(May("look"))])
def file(desk: TheDesk, session: Visitor, name: str, version: int | None = None) -> Response:
    """Show one file of the active set, or of a version."""
    program: Program | None
    if version is None or version == desk.line.judge.version:
        written, program = active_texts(desk), desk.line.judge.program
    else:
        number = version
        written = desk.store.read(lambda reader: ruleshelf.texts(reader, number))
        program = desk.live.check(number, written).program
    if name not in written.files:
        raise HTTPException(404, say("There is no such file in this rule set"))
    return _page(desk, session, _book(written, program), name, version)


def _page(desk: Desk, session: Session, book: Book, name: str, version: int | None) -> Response:
    content = {"page": book.pages[name], "version": version}
    return desk.show("rules_file.html", session, lambda reader: content)


def active_texts(desk: Desk) -> RuleTexts:
    """Return the texts that decide: those of the version, or the folder where there is none."""
    number = desk.line.judge.version
    if number is not None:
        return desk.store.read(lambda reader: ruleshelf.texts(reader, number))
    return RuleTexts(read_files(desk.settings.rules)[0], desk.settings.parameters)


def _book(written: RuleTexts, program: Program | None) -> Book:
    return book_of(tuple(sorted(without_marks(written.files).items())), program)


def _listed(reader: Reader, desk: Desk, version: int | None) -> Content | None:
    """Return who approved the active version and since when it decides; None without versions."""
    if version is None:
        return None
    stands = ruleshelf.shelf(reader, desk.clock())
    row = ruleshelf.known(reader, version)
    approvals = [each for each in reader.rule_approvals(version) if each.hash == row.hash]
    return {"version": row, "activation": stands.course.active, "approvals": approvals}
