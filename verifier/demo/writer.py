"""Writes the messages of the two invented analyzers; shares no code with the reader it tests."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from msgspec import Struct

from verifier.demo.notation import Reading
from verifier.demo.scenario import Analyzer, Morning, Patient, Tube, moment

# HL7 v2.5.1 section 13.4.3: fields of SAC that carry an index and its unit.
SAC_FIELDS = {"hemolysis": 32, "lipemia": 34, "icterus": 36}
COLLECTED_BEFORE, ANALYZED_BEFORE = timedelta(minutes=40), timedelta(minutes=5)


class _Sheet(Struct, frozen=True):
    """What the segments of one message are written from; times are as the analyzer writes them.

    Controls carry none: the bracket around a failed one is a matter of what came when, and all of
    the morning arrives within minutes.
    """

    tube: Tube
    analyzer: Analyzer
    readings: tuple[Reading, ...]
    pid: tuple[str, ...]
    collected: str
    analyzed: str


def write(tube: Tube, morning: Morning, day: date) -> bytes:
    """Return the message of `tube` as its analyzer would send it, on the morning of `day`."""
    analyzer = morning.analyzers[tube.by]
    sent = moment(tube, day)
    collected = moment(tube, day, tube.collected) if tube.collected else sent - COLLECTED_BEFORE
    analyzed = moment(tube, day, tube.analyzed) if tube.analyzed else sent - ANALYZED_BEFORE
    sheet = _Sheet(
        tube,
        analyzer,
        tuple(morning.held_by(tube).values()),
        _pid(morning.patients.get(tube.of), day),
        "" if tube.judged else _stamp(collected, analyzer),
        "" if tube.judged else _stamp(analyzed, analyzer),
    )
    body = _oul(sheet) if analyzer.message == "OUL^R22" else _oru(sheet)
    codec = {"8859/1": "latin-1"}.get(tube.charset, "ascii")
    return ("\r".join([_msh(tube, analyzer, sent, day), *body]) + "\r").encode(codec)


def control_id(tube: Tube, day: date) -> str:
    """Return MSH-10 of the message; a tube with `control` takes that of another step."""
    key = tube.control or tube.key
    return f"{tube.by[0].upper()}{day:%m%d}-{key.replace(' ', '-').replace(':', '')}"


def admission(by: Analyzer, at: datetime, control: str) -> bytes:
    """Return an admission message (ADT^A01), which is not for us."""
    return (
        f"MSH|^~\\&|{by.application}|FERNMOOR|VERIFIER|FERNMOOR|{at:%Y%m%d%H%M%S}+0000||"
        f"ADT^A01^ADT_A01|{control}|P|2.5.1\rEVN|A01|{at:%Y%m%d%H%M%S}\r"
        "PID|1||F-9999^^^FERNMOOR^MR||Mistletoe^Mica||19600101|F\rPV1|1|I\r"
    ).encode("ascii")


def _msh(tube: Tube, analyzer: Analyzer, sent: datetime, day: date) -> str:
    kind = {"OUL^R22": "OUL^R22^OUL_R22", "ORU^R01": "ORU^R01^ORU_R01"}[analyzer.message]
    charset = f"||||||{tube.charset}" if tube.charset else ""
    return (
        f"MSH|^~\\&|{analyzer.application}|FERNMOOR|VERIFIER|FERNMOOR|{_stamp(sent, analyzer)}||"
        f"{kind}|{control_id(tube, day)}|P|{analyzer.version}{charset}"
    )


def _stamp(at: datetime, analyzer: Analyzer) -> str:
    # Only one of the two says its offset; the other's zone is configured on our side.
    local = at.astimezone(ZoneInfo(analyzer.zone))
    return f"{local:%Y%m%d%H%M%S%z}" if analyzer.message == "OUL^R22" else f"{local:%Y%m%d%H%M%S}"


def _oul(sheet: _Sheet) -> list[str]:
    """PID, SPM, SAC, then one OBR with its OBX per test (HL7 v2.5.1 section 7.3.6)."""
    tube = sheet.tube
    segments = [*sheet.pid, _spm(sheet), _sac(sheet)]
    tests = [reading for reading in sheet.readings if reading.test not in SAC_FIELDS]
    for number, reading in enumerate(tests, 1):
        code, _ = _coded(reading, sheet.analyzer)
        segments.append(f"OBR|{number}|{tube.id}||{code}|||{sheet.collected}")
        segments.append(_obx(1, reading, sheet))
    return [*segments, *_nte(tube)]


def _oru(sheet: _Sheet) -> list[str]:
    """PID, one OBR with all OBX, SPM (HL7 v2.5.1 section 7.3.1)."""
    tube = sheet.tube
    obr = f"OBR|1|{tube.id}|{tube.id}|PANEL^Chemistry^L|||{sheet.collected}"
    results = [_obx(number, reading, sheet) for number, reading in enumerate(sheet.readings, 1)]
    return [*sheet.pid, obr, *results, *_nte(tube), _spm(sheet)]


def _spm(sheet: _Sheet) -> str:
    tube = sheet.tube
    front = f"SPM|1|{tube.id}||{tube.specimen_type}|||||||{tube.role}"
    return f"{front}||||||{sheet.collected}"


def _nte(tube: Tube) -> list[str]:
    return [f"NTE|1||{tube.comment}"] if tube.comment else []


def _pid(patient: Patient | None, day: date) -> tuple[str, ...]:
    if patient is None:
        return ()
    number = f"{patient.number}^^^FERNMOOR^MR" if patient.number else ""
    return (f"PID|1||{number}||{patient.name}||{birth_date(patient, day)}|{patient.sex}",)


def birth_date(patient: Patient, day: date) -> str:
    """Return PID-7: as given, or the day on which the stated age was reached in full.

    Years and months are taken as 366 and 31 days, so that the age is certainly reached and, for
    the ages of the morning's data, certainly not the next one.
    """
    number, _, unit = patient.born.partition(" ")
    days = {"years": 366, "months": 31, "days": 1}.get(unit)
    return f"{day - days * timedelta(int(number)):%Y%m%d}" if days else patient.born


def _sac(sheet: _Sheet) -> str:
    fields = [""] * 38
    fields[3] = sheet.tube.id
    for reading in sheet.readings:
        if position := SAC_FIELDS.get(reading.test):
            fields[position] = reading.value
            _, fields[position + 1] = _coded(reading, sheet.analyzer)
    return "SAC" + "|".join(fields).rstrip("|")


def _coded(reading: Reading, analyzer: Analyzer) -> tuple[str, str]:
    code, _, unit = analyzer.codes.get(reading.test, " ").rpartition(" ")
    return (reading.code or code, unit if reading.unit is None else reading.unit)


def _obx(number: int, reading: Reading, sheet: _Sheet) -> str:
    code, unit = _coded(reading, sheet.analyzer)
    kind = reading.kind or ("SN" if reading.value[:1] in ("<", ">") else "NM")
    value = f"{reading.value[0]}^{reading.value[1:]}" if kind == "SN" else reading.value
    status = reading.status or sheet.tube.status
    front = f"OBX|{number}|{kind}|{code}|{reading.run}|{value}|{unit}||{reading.flag}"
    return f"{front}|||{status}|||{sheet.collected}|||||{sheet.analyzed}"
