"""The texts of the scripts, in the language of the request."""

import io
import json
from functools import cache
from pathlib import Path

from babel.messages.extract import extract_javascript
from fastapi import APIRouter
from fastapi.responses import Response

from verifier.web.catalogue import say

router = APIRouter()
STATIC = Path(__file__).parent.parent / "static"
SAY = """
function say(text, values = {}) {
  return (TEXTS[text] ?? text).replace(/%[(](\\w+)[)]s/g, (_, name) => values[name]);
}
"""


@router.get("/words.js")
def words() -> Response:
    """Return the function `say`, which scripts hand their English texts to."""
    said = {text: found for text in script_texts() if (found := say(text)) != text}
    kept = f'"use strict";\nconst TEXTS = {json.dumps(said)};{SAY}'
    return Response(kept, media_type="text/javascript", headers={"Vary": "Accept-Language"})


@cache
def script_texts() -> tuple[str, ...]:
    """Return every text that a script says, in English."""
    found: dict[str, None] = {}
    for path in sorted(STATIC.glob("*.js")):
        source = io.BytesIO(path.read_bytes())
        for _, _, text, _ in extract_javascript(source, {"say": None}, (), {}):
            found[str(text)] = None
    return tuple(found)
