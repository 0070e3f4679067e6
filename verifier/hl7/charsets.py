"""Character sets of MSH-18 (HL7 table 0211) as Python codecs."""

import unicodedata

_CODECS = {
    "ASCII": "ascii",
    "UNICODE UTF-8": "utf-8",
    "UTF-8": "utf-8",
    "UNICODE": "utf-8",  # in table 0211 for UCS-2, which MLLP can not carry; senders mean UTF-8
    "ISO IR6": "ascii",
    "ISO IR14": "iso2022_jp",
    "ISO IR87": "iso2022_jp",
    "ISO IR159": "iso2022_jp_1",
    "GB 18030-2000": "gb18030",
    "KS X 1001": "euc_kr",
    "BIG-5": "big5",
}
_CODECS |= {f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)}

# Spellings for text of ours in a message whose character set lacks the usual one.
_PLAIN = {"≥": ">=", "≤": "<=", "µ": "u", "μ": "u", "–": "-", "—": "-", "…": "...", "“": '"',
          "”": '"', "’": "'", "‘": "'", "×": "x", "·": ".", "→": "->", "−": "-",
          "ß": "ss"}  # fmt: skip


def codec_of(name: str) -> str | None:
    """Return the Python codec for a code of table 0211, or None when it is not known.

    UTF-16 and UTF-32 are not known on purpose: their bytes collide with the MLLP block marks.
    """
    return _CODECS.get(name.strip().upper())


def fit(text: str, codec: str) -> str:
    """Return `text` as near as `codec` can write it; only for words of ours, never the sender's."""
    try:
        text.encode(codec)
    except UnicodeEncodeError:
        return "".join(_nearest(character, codec) for character in text)
    return text


def _nearest(character: str, codec: str) -> str:
    bare = "".join(
        c for c in unicodedata.normalize("NFKD", character) if not unicodedata.combining(c)
    )
    for candidate in (character, _PLAIN.get(character, ""), bare):
        try:
            if candidate and candidate.encode(codec):
                return candidate
        except UnicodeEncodeError:
            continue
    return "?"
