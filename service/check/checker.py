"""The checker is checked: the golden firmware must pass, firmware with known faults must be caught, each for
its own reason, on every station, before term and after each change.

The images are the lab's own; a person (or a later loader) puts one after the other onto the board. Which one
is there is told by that person: nothing that a board sends can be believed to say it.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

from service.acquire import open_bench
from service.check.again import relabelled
from service.check.cautions import ON_BOARD
from service.check.context import Context
from service.check.items import make_item
from service.check.known_traffic import texts
from service.check.unattended import Found
from service.check.walk import Step, Walk
from service.echo_test import Gathered, gather, plans_for
from service.hooks import Look, RunHooks
from service.pipeline.chain import judge
from service.pipeline.findings import INFO, Finding, make_finding
from service.sounding import sound
from service.stations import Station

BURST = 40
"""Characters of the stream beside the values once each: enough for what only a burst shows."""


@dataclass(frozen=True)
class Seeded:
    """One image: what it does wrong, and the findings of which one at least must be there."""

    name: str
    about: str
    expected: tuple[str, ...]


def check_the_checker(station: Station, hooks: RunHooks, _context: Context) -> Found:
    """Lead a person through the images of SEEDED; every one that was tried must come to what it is.

    Raises:
        DriverError, RunCancelled; NobodyCame: a step was not done in time.
    """
    walk = Walk(hooks, len(SEEDED), room=station.room)
    rows: list[dict[str, Any]] = []
    for seeded in SEEDED:
        if not walk.step(_step(seeded), _only_a_person_knows).skipped:
            rows.append(_tried(station, hooks, seeded))
    missed = [row["firmware"] for row in rows if not row["caught"]]
    because = f"of {len(rows)} images tried" + (f": {', '.join(missed)}" if missed else "")
    value = float(len(missed)) if rows else None
    item = make_item("checker_misses", value, 0.0, "bench", high=0.0, because=because)
    findings = tuple(_finding(row) for row in rows if not row["caught"])
    return Found((item,), findings, more={"checker": rows})


def _step(seeded: Seeded) -> Step:
    return Step(
        f"firmware {seeded.name}",
        f"Put the image `{seeded.name}` ({seeded.about}) onto the board, then go on. Leave the step out if "
        "you do not have it.",
        ON_BOARD,
    )


def _tried(station: Station, hooks: RunHooks, seeded: Seeded) -> dict[str, Any]:
    hooks.progress("checker", f"{seeded.name}: sending", 0.5)
    values, stream = texts(station)
    text = values + stream[:BURST]
    gathered = Gathered()
    labelled = relabelled(hooks, f"{seeded.name}: ")
    with open_bench(dataclasses.replace(station, leave_as_found=True), labelled) as bench:
        gather(bench, sound(bench), plans_for(bench, text), gathered)
    judgement = judge(gathered.shots, station.expectation(sent=text), gathered.findings)
    found = list(dict.fromkeys(f.code for f in judgement.findings if f.severity != INFO))
    caught = any(code in found for code in seeded.expected) if seeded.expected else not found
    return {
        "firmware": seeded.name,
        "expected": list(seeded.expected),
        "found": found,
        "verdict": judgement.verdict,
        "caught": caught and (judgement.verdict == "pass") == (not seeded.expected),
    }


def _finding(row: dict[str, Any]) -> Finding:
    wanted, found = " or ".join(row["expected"]) or "nothing", ", ".join(row["found"]) or "nothing"
    detail = f"image {row['firmware']}: {wanted} was to be found, found was {found}."
    return make_finding("checker-misses", None, detail, evidence=row)


def _only_a_person_knows() -> Look:
    return Look("waiting for you to go on", {}, seen=False)


SEEDED: tuple[Seeded, ...] = (
    Seeded("good", "the golden firmware, echoes everything", ()),
    Seeded("silent", "reads and never answers", ("echo-missing",)),
    Seeded("drops-one", "forgets the 2nd of every 5 characters", ("echo-missing",)),
    Seeded("doubles-one", "says the 2nd of every 5 twice", ("echo-extra",)),
    Seeded("changes-case", "swaps upper and lower case", ("echo-changed",)),
    Seeded("flips-bit", "flips the lowest bit of the 2nd of every 5", ("echo-changed",)),
    Seeded("swaps-pair", "answers the 1st of every 5 after the 2nd", ("echo-out-of-order",)),
    Seeded("late", "answers 5 ms late", ("echo-late",)),
    Seeded("slows-down", "each answer of a burst comes later and later", ("echo-late", "echo-missing")),
    Seeded("overrun", "reads the register too rarely", ("echo-missing",)),
    Seeded("wrong-rate", "sends 2.8 % too fast", ("rate-off",)),
    Seeded("framing", "sends its stop element as a space", ("framing-error", "break")),
    Seeded("sends-break", "sends a break after the 2nd of every 5", ("break",)),
    Seeded("weak-levels", "drives high and low only half way", ("level-out-of-limits",)),
)
"""One good and thirteen bad; the golden one first, since nothing is proven without it."""
