"""Asks the rules whether a value is critical, through a message as any other."""

from random import Random

from verifier.decide.offline import Offline
from verifier.facts.catalogue import ConnectionMap
from verifier.hl7.message import Message
from verifier.language.program import Program

from .analytes import ANALYTES
from .people import Person
from .schedule import BEGIN, Draw


def critical_by_the_rules(program: Program, name: str, value: float, age: float, sex: str) -> bool:
    """Return whether the rule `critical` holds the value for somebody of `age` years."""
    from datetime import timedelta

    birth = (BEGIN - timedelta(days=age * 365.25)).date()
    draw = Draw(0, Person(1, sex, birth, "outpatient", Random(1)), BEGIN, "outpatient", [name])
    item = ANALYTES[name]
    stamp = f"{BEGIN:%Y%m%d%H%M%S}+0000"
    text = "\r".join(
        [
            f"MSH|^~\\&|A|L|V|L|{stamp}||ORU^R01^ORU_R01|1|P|2.5.1",
            f"PID|1||1^^^LAB^MR||||{draw.person.birth:%Y%m%d}|{sex}",
            f"OBR|1|T1|T1|CHEM^Chemistry^L|||{stamp}",
            f"OBX|1|NM|{item.code}^{item.title}^LN||{value:.6f}|{item.unit}|||||F|||{stamp}",
            f"SPM|1|T1||SER^Serum^HL70487|||||||P||||||{stamp}",
        ]
    )
    quality = dict.fromkeys(program.catalogue.tests, "in control")
    offline = Offline(program, ConnectionMap("a"), quality)  # type: ignore[arg-type]
    (judged,) = offline.judge(Message.read((text + "\r").encode()), BEGIN)
    (result,) = judged.decision.results
    return any(reason.rule == "critical" and reason.kind == "hold" for reason in result.reasons)
