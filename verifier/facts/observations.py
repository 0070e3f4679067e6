"""One OBX, or the interference indices of one SAC, as an observation."""

import hashlib
from functools import lru_cache

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.report import Observation
from verifier.facts.subjects import Moment
from verifier.hl7.message import Segment
from verifier.hl7.moments import parse_moment

_SIX = ("",) * 6  # components of a coded element (CE, CWE) that matter here
_CODED = {"CE", "CWE", "CNE", "CF"}
_LINES = {"TX", "FT", "ST"}
_ENCAPSULATED = {"ED", "RP"}

# SAC-32…37 and the units the standard recommends where none are sent (HL7 v2.5.1 section 13.4.3).
_INDICES = (("hemolysis", 32, "g/L"), ("lipemia", 34, "{index}"), ("icterus", 36, "mmol/L"))


@lru_cache(maxsize=4096)
def moment(text: str, zone: str) -> Moment | None:
    """Read an HL7 time; None when empty or no time. The sender's text is kept.

    `zone` is an IANA name or an HL7 offset, for a text that has none.
    """
    found = parse_moment(text, zone) if text else None
    return Moment(found[0], found[1], text) if found else None


def read_observation(obx: Segment, order: int, zone: str) -> Observation | None:
    """Return one OBX of the order whose OBR is segment `order`.

    None for what IHE's analyzer workflow marks as supplemental (``S_RAW``, ``S_OTHER`` in the
    alternate code, coding system ``IHELAW``): raw signals and the like, no reportable result.
    """
    get = obx.get
    code, name, system, alternate, _, alternate_system = (*obx.components(3), *_SIX)[:6]
    if alternate_system == "IHELAW" and alternate.startswith("S_"):
        return None
    kind = get(2)
    text, repeats = _content(obx, kind)
    return Observation(
        code=code,
        system=system,
        name=name,
        kind=kind,
        text=text,
        unit=get(6),
        status=get(11).strip(),
        segment=obx.index,
        order=order,
        null=obx.is_null(5),
        repeats=repeats,
        alternate_code=alternate,
        alternate_system=alternate_system,
        run=get(4),
        flags=_flags(obx),
        reference=get(7),
        observed=moment(get(14), zone),
        analysed=moment(get(19), zone),
        analyzer=get(18),
    )


def read_indices(sac: Segment, connection: ConnectionMap, order: int) -> list[Observation]:
    """Return the interference indices a SAC carries, as far as the connection maps them."""
    found = []
    for name, field, unit in _INDICES:
        value = sac.get(field)
        if value and name in connection.indices:
            found.append(
                Observation(
                    code=name,
                    system="SAC",
                    name=name,
                    kind="NM",
                    text=value,
                    unit=sac.get(field + 1) or unit,
                    status="F",
                    segment=sac.index,
                    order=order,
                    interference=True,
                )
            )
    return found


def _content(obx: Segment, kind: str) -> tuple[str | None, int]:
    """Return OBX-5 as text, and how many values it repeats."""
    if not obx.field(5) or obx.is_null(5):
        return (None, 1)
    parts = obx.repetitions(5)
    if kind in _ENCAPSULATED:
        digest = hashlib.sha256(obx.field(5).encode()).hexdigest()
        return (f"encapsulated data, SHA-256 {digest}", 1)
    if kind in _LINES and len(parts) > 1:
        return ("\n".join(obx.decoded(part) for part in parts), 1)
    if kind == "SN":
        # comparator ^ number ^ separator or suffix ^ number (HL7 v2.5.1 section 2.A.70)
        return ("".join(obx.components(5)[:4]), len(parts))
    if kind in _CODED:
        code, words = obx.get(5), obx.get(5, 2)
        return (f"{code}^{words}" if words else code or None, len(parts))
    return (obx.decoded(parts[0]), len(parts))


def _flags(obx: Segment) -> tuple[str, ...]:
    if not obx.field(8) or obx.is_null(8):
        return ()
    count = len(obx.repetitions(8))
    return tuple(flag for rep in range(1, count + 1) if (flag := obx.get(8, rep=rep)))
