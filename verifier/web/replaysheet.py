"""A replay as one page to print: no script, nothing fetched, everything in the file."""

from jinja2 import Environment, PackageLoader, StrictUndefined

from verifier.assurance.replay_report import percent, shown_stretch, side_text
from verifier.assurance.replaying import CHANGES, FATES, MEANINGS, Replay


def replay_sheet(replay: Replay, laboratory: str) -> str:
    """Return the page as HTML."""
    surroundings = Environment(
        loader=PackageLoader("verifier.web"), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    counts = replay.counts
    tests = sorted(counts.tests.items(), key=lambda item: (-sum(item[1].changes.values()), item[0]))
    rules = sorted(counts.rules.items(), key=lambda item: (-item[1].gained - item[1].lost, item[0]))
    return surroundings.get_template("replay_sheet.html").render(
        replay=replay, counts=counts, laboratory=laboratory, kinds=CHANGES, meanings=MEANINGS,
        fates=FATES, tests=tests, rules=rules, stretch=shown_stretch(replay), percent=percent,
        side_text=side_text,
    )  # fmt: skip
