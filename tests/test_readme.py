"""The README's tour, run as it stands: what it shows is what the program prints."""

import re
import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
TOUR = README.split("## Five minutes with a rule", 1)[1].split("\n## ", 1)[0]


def blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.+?)\n```", TOUR, re.S)


def shell(script: str, folder: Path) -> str:
    script = script.replace("/tmp/my-rules", str(folder / "my-rules"))
    script = script.replace(".venv/bin/verifier", f"{sys.executable} -m verifier")
    run = subprocess.run(
        ["bash", "-c", script], cwd=TOP, capture_output=True, text=True, timeout=120
    )
    return run.stdout + run.stderr


def test_the_tour_shows_what_happens(tmp_path: Path) -> None:
    write, mend = blocks("sh")
    (shown,) = blocks("text")
    assert shown in shell(write, tmp_path)
    judged = shell(mend, tmp_path)
    held = [line for line in judged.splitlines() if "is held" in line]
    names = ["Creatinine", "Glucose", "eGFR", "Osmolality,", "Urea"]
    assert [line.split()[0] for line in held] == names
    assert "was this patient fasting? (morning-glucose;" in judged


def test_the_cautions_stand_where_people_look() -> None:
    said = "not a medical device by itself"
    for place in (TOP / "README.md", TOP / "rules" / "README.md", TOP / "deploy" / "verifier.toml"):
        assert said in " ".join(place.read_text(encoding="utf-8").split()).lower(), place


def test_the_job_is_said_in_the_first_paragraph() -> None:
    first = README.split("\n\n")[1]
    for word in ("HL7 v2", "releases", "holds", "audit log", "technologist"):
        assert word in first
