"""Editing a draft: each file as text, checked by the server's own checker while it is written."""

import time
from collections import Counter
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form
from fastapi.responses import Response

from verifier.errors import RefusedError, RuleSetError
from verifier.language import Checked, Diagnostic
from verifier.service import ruleshelf
from verifier.store.rows import Session
from verifier.store.rulerows import RuleTexts, VersionRow
from verifier.store.transaction import Transaction
from verifier.web.catalogue import told
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor, meant, see

router = APIRouter()
Name = Annotated[str, Form(max_length=200)]
Text = Annotated[str, Form()]
_RANK = {"error": 0, "warning": 1, "note": 2}


@router.post("/rules/drafts", dependencies=[Depends(May("write rules")), Depends(meant)])
def begin(
    desk: TheDesk,
    session: Visitor,
    base: Annotated[int, Form()],
    note: Annotated[str, Form(max_length=1000)] = "",
) -> Response:
    """Make a draft of a version."""
    who = session.person.name

    def work(tx: Transaction) -> VersionRow:
        if not note.strip():
            raise RefusedError("Say what is to be changed; those who approve it read that first.")
        return ruleshelf.add(tx, who, ruleshelf.texts(tx, base), note.strip(), base)

    return see(f"/rules/version/{desk.store.write(work).id}")


@router.get("/rules/draft/{number}", dependencies=[Depends(May("write rules"))])
def edit(number: int, desk: TheDesk, session: Visitor, file: str = "", line: str = "") -> Response:
    """Show the editor with one file of a draft, a new one if there is none of that name."""
    version, written = _draft(desk, number)
    name = file or min(written.files, default="rules.rules")
    return _editor(desk, session, version, written, name, line=line)


@router.post("/rules/draft/{number}", dependencies=[Depends(May("write rules")), Depends(meant)])
def save(
    number: int,
    desk: TheDesk,
    session: Visitor,
    file: Name,
    seen: Name,
    text: Text = "",
) -> Response:
    """Keep what was written, with or without errors, and show what the checker says of it."""
    version, before = _draft(desk, number)
    written = _with(before, file, text)
    try:
        desk.store.write(
            lambda tx: ruleshelf.edit(tx, session.person, number, written.files, version.note, seen)
        )
    except (RefusedError, RuleSetError) as refused:
        return _editor(desk, session, version, written, file, refused=told(refused), seen=seen)
    return see(f"/rules/draft/{number}?file={quote(file)}")


@router.post(
    "/rules/draft/{number}/check", dependencies=[Depends(May("write rules")), Depends(meant)]
)
def check(number: int, desk: TheDesk, session: Visitor, file: Name, text: Text = "") -> Response:
    """Check what is in the editor, saved or not; return the list of findings to put in place.

    Nothing is returned to who has written on meanwhile, and asked again.
    """
    began = time.perf_counter()
    _, before = _draft(desk, number)
    about = (number, session.person.name)
    checked = desk.live.check_newest(about, _with(before, file, text))
    if checked is None:
        return Response(status_code=204)
    content = findings(number, file, checked)
    took = round(1000 * (time.perf_counter() - began))
    return desk.bare("findings.html", content | {"took": took})


def findings(number: int, file: str, checked: Checked) -> Content:
    """Return what the list of findings shows: what hinders first, then what is near."""
    found = sorted(checked.diagnostics, key=lambda item: _nearness(item, file))
    aside = [item for item in found if item.severity != "error" and item.file != file]
    counted = Counter(item.severity for item in found)
    return {
        "number": number,
        "file": file,
        "findings": [item for item in found if item not in aside],
        "aside": aside,
        "errors": counted["error"],
        "took": "",
    }


def _nearness(item: Diagnostic, file: str) -> tuple[int, bool, str, int, int]:
    return _RANK[item.severity], item.file != file, item.file, item.line, item.column


def _draft(desk: Desk, number: int) -> tuple[VersionRow, RuleTexts]:
    return desk.store.read(
        lambda reader: (ruleshelf.known(reader, number), ruleshelf.texts(reader, number))
    )


def _with(written: RuleTexts, name: str, text: str) -> RuleTexts:
    """Return the texts with one file as it was sent; a file without any text is left out."""
    text = text.replace("\r\n", "\n")  # as forms send it
    if "\r\n" in written.files.get(name, ""):
        text = text.replace("\n", "\r\n")
    files = {**written.files, name: text}
    return RuleTexts({n: t for n, t in files.items() if n != name or t.strip()}, written.parameters)


def _editor(
    desk: Desk,
    session: Session,
    version: VersionRow,
    written: RuleTexts,
    name: str,
    *,
    refused: str = "",
    line: str = "",
    seen: str = "",
) -> Response:
    content = findings(
        version.id, name, desk.live.check((version.id, session.person.name), written)
    ) | {
        "version": version,
        "files": sorted({*written.files, name}),
        "text": written.files.get(name, ""),
        "seen": seen or version.hash,
        "refused": refused,
        "line": line if line.isdecimal() else "",
    }
    status = 409 if refused else 200
    return desk.show("rules_draft.html", session, lambda reader: content, status=status)
