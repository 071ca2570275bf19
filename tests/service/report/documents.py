"""Result documents and shots made by hand (contract.md section 3), from an invented lab."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from service.pipeline.trace import Shot, Trace
from service.report.meta import ReportMeta

BAUD = 230400.0
BIT_S = 1 / BAUD
LATENCY_S = 6.6e-6
INTERVAL_S = 1e-7
SENT = b"Tide 7"


@dataclass(frozen=True)
class Spoken:
    """One character on a line."""

    value: int
    start_s: float
    errors: tuple[str, ...] = ()


@dataclass
class Scene:
    """What was said on both lines of one shot, and how the echoes are to be told."""

    to_target: list[Spoken] = field(default_factory=list)
    from_target: list[Spoken] = field(default_factory=list)
    echoes: list[dict[str, Any]] = field(default_factory=list)


def bits_of(value: int) -> list[int]:
    """8N1: start, eight data bits with the least significant first, stop."""
    return [0, *((value >> k) & 1 for k in range(8)), 1]


def last_edge_bit(value: int) -> int:
    """Bit times from the start edge to the last edge inside the frame."""
    bits = bits_of(value)
    return max(k for k in range(1, len(bits)) if bits[k] != bits[k - 1])


def trace_of(spoken: list[Spoken], end_s: float, channel: str, noise_codes: float = 0.6) -> Trace:
    """3.3 V logic with edges of about 100 ns, 25.6 mV a code, some noise, starting 50 us before zero."""
    start_s = -50e-6
    t = start_s + np.arange(round((end_s - start_s) / INTERVAL_S)) * INTERVAL_S
    volts = np.full(len(t), 3.28)
    for character in spoken:
        for k, bit in enumerate(bits_of(character.value)):
            at = character.start_s + k * BIT_S
            volts[(t >= at) & (t < at + BIT_S)] = 3.28 if bit else 0.02
    smooth = np.convolve(np.pad(volts, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid")
    codes = (smooth - 1.65) / 0.0256 + np.random.default_rng(7).normal(0, noise_codes, len(t))
    rounded = np.clip(np.round(codes), -128, 127).astype(np.int8)
    return Trace(rounded, 0.0256, 1.65, INTERVAL_S, start_s, -128, 127, channel)


def conversation(sent: bytes, shot: int = 0, lose: tuple[int, ...] = (), swap_case: bool = False) -> Scene:
    """Characters back to back with one stop bit, each echoed unless it is lost."""
    scene = Scene()
    for index, value in enumerate(sent):
        start = index * 12 * BIT_S
        scene.to_target.append(Spoken(value, start))
        if index in lose:
            scene.echoes.append(_echo(shot, value, None, "missing", index, None))
            continue
        echoed = value ^ 0x20 if swap_case and chr(value).isalpha() else value
        scene.from_target.append(Spoken(echoed, start + 10 * BIT_S + LATENCY_S))
        status = "ok" if echoed == value else "changed"
        scene.echoes.append(_echo(shot, value, echoed, status, index, len(scene.from_target) - 1))
    return scene


def _echo(
    shot: int, sent: int | None, echoed: int | None, status: str, sent_index: int, echo_index: int | None
) -> dict[str, Any]:
    timed = sent is not None and echoed is not None
    return {
        "shot": shot,
        "sent": sent,
        "echoed": echoed,
        "status": status,
        "start_to_start_s": 10 * BIT_S + LATENCY_S if timed else None,
        "stop_end_to_start_s": LATENCY_S if timed else None,
        "sent_index": sent_index,
        "echo_index": echo_index,
    }


def shot_of(scene: Scene, sent: bytes | None = None) -> Shot:
    """Both lines as traces, with room after the last character."""
    last = max((c.start_s for c in scene.to_target + scene.from_target), default=0.0)
    end_s = last + 14 * BIT_S
    return Shot(
        trace_of(scene.to_target, end_s, "ch1"),
        trace_of(scene.from_target, end_s, "ch2"),
        sent=sent,
        trigger_level_v=1.65,
    )


def value(number: float | None, u: float, unit: str, u_record: float | None = None) -> dict[str, Any] | None:
    """A measured number, or null."""
    if number is None:
        return None
    told = {"value": number, "u": u, "unit": unit}
    return told if u_record is None else told | {"u_record": u_record}


def line(channel: str, scenes: list[Scene], role: str, *, dead: bool = False) -> dict[str, Any]:
    """One line of the document with all its keys; `dead` = nothing could be measured."""
    spoken = [(i, c) for i, scene in enumerate(scenes) for c in getattr(scene, role)]
    return {
        "channel": channel,
        "idle": None if dead else "high",
        "baud": value(None if dead else 230412.0, 7.4, "Bd", 3.1),
        "bit_time": value(None if dead else 4.34005e-6, 1.4e-10, "s", 5.8e-11),
        "frame": {"best": None if dead else "8N1", "possible": [] if dead else ["8N1", "8N2"]},
        "levels": {
            "low": value(None if dead else 0.02, 0.01, "V"),
            "high": value(None if dead else 3.28, 0.01, "V"),
        },
        "rise_time": value(None if dead else 98e-9, 6e-9, "s", 4e-9),
        "fall_time": None,
        "start_stop_distortion": value(None if dead else 1.2, 0.4, "%"),
        "characters": [
            {
                "shot": i,
                "start_s": c.start_s,
                "end_s": c.start_s + 10 * BIT_S,
                "value": c.value,
                "errors": list(c.errors),
                "last_edge_s": c.start_s + last_edge_bit(c.value) * BIT_S,
            }
            for i, c in spoken
        ],
        "unmeasured": {"baud": "it was at rest", "idle": "it was at rest"} if dead else {},
    }


CRITERIA = ("content", "order", "framing", "timing", "rate", "levels", "edges")


def criteria(**told: tuple[str, str | None, str]) -> list[dict[str, Any]]:
    """All seven; those not named passed. A value is (verdict, cause, because)."""
    rows = []
    for name in CRITERIA:
        verdict, cause, because = told.get(name, ("pass", None, f"nothing speaks against the {name}"))
        rows.append(
            {
                "name": name,
                "verdict": verdict,
                "cause": cause,
                "required": name != "edges",
                "because": because,
            }
        )
    return rows


def measurement(name: str, number: float | None, u: float | None, unit: str, **more: Any) -> dict[str, Any]:
    """One row; its line is the part of the name before the point."""
    line, point, _ = name.partition(".")
    told = {"name": name, "line": line if point else None, "value": number, "u": u, "k": 2, "unit": unit}
    return told | {"definition": f"what {name} means", "limit": {}, "verdict": None} | more


def measurements(verdict: str = "pass") -> list[dict[str, Any]]:
    """Those that the pages look for by name, one with a limit, one that could not be measured."""
    spans = [
        (f"{role}.{name}", bits * 4.34005e-6, 3e-9, "s")
        for role in ("to_target", "from_target")
        for name, bits in (("start_edge_to_last_edge", 9), ("start_edge_to_stop_end", 10))
    ]
    return [
        measurement("latency_min", 6.5e-6, 2.4e-8, "s"),
        measurement("latency_max", 6.6e-6, 2.4e-8, "s", limit={"max": 2e-3}, verdict=verdict),
        measurement(
            "from_target.rate_deviation",
            0.0052,
            0.0032,
            "%",
            limit={"min": -2.0, "max": 2.0},
            verdict=verdict,
        ),
        *(measurement(*span) for span in spans),
        measurement("from_target.fall_time", None, None, "s"),
    ]


def finding(
    code: str, side: str, severity: str, message: str, remedy: str, **evidence: Any
) -> dict[str, Any]:
    """One finding on the from-target line."""
    return {
        "code": code,
        "side": side,
        "severity": severity,
        "line": "from_target",
        "message": message,
        "remedy": remedy,
        "evidence": evidence,
    }


def document(scenes: list[Scene], verdict: str = "pass", **parts: Any) -> dict[str, Any]:
    """A whole result document; `parts` replace its keys."""
    whole = {
        "schema": 1,
        "verdict": verdict,
        "criteria": criteria(),
        "findings": [],
        "lines": {
            "to_target": line("ch1", scenes, "to_target"),
            "from_target": line("ch2", scenes, "from_target"),
        },
        "echoes": [e for scene in scenes for e in scene.echoes],
        "measurements": measurements(),
    }
    return whole | parts


def good() -> tuple[dict[str, Any], list[Shot]]:
    """Six characters, six echoes."""
    scene = conversation(SENT)
    return document([scene]), [shot_of(scene, SENT)]


def one_missing() -> tuple[dict[str, Any], list[Shot]]:
    """The fourth character is not echoed."""
    scene = conversation(SENT, lose=(3,))
    told = document(
        [scene],
        "fail",
        criteria=criteria(content=("fail", None, "1 of 6 characters was not echoed")),
        findings=[
            finding(
                "echo-missing",
                "device",
                "fail",
                "The echo of character 4, e (0x65), is missing.",
                "Look for a receive buffer of one character that is read too late.",
                index=3,
                sent=0x65,
            )
        ],
    )
    return told, [shot_of(scene, SENT)]


def wrong_probe() -> tuple[dict[str, Any], list[Shot]]:
    """A bench fault: the levels are void, the rest is judged."""
    scene = conversation(SENT)
    told = document(
        [scene],
        "inconclusive",
        criteria=criteria(levels=("inconclusive", "bench", "the probe ratio of ch2 cannot be right")),
        findings=[
            finding(
                "probe-ratio",
                "bench",
                "fail",
                "ch2 shows 0.33 V where 3.3 V logic was expected: a tenth.",
                "Set the probe's switch and the scope's probe factor of ch2 to the same ratio.",
            )
        ],
    )
    return told, [shot_of(scene, SENT)]


def dead_line() -> tuple[dict[str, Any], list[Shot]]:
    """Nothing came back: every quantity of the from-target line is null."""
    scene = conversation(SENT, lose=tuple(range(len(SENT))))
    lines = {
        "to_target": line("ch1", [scene], "to_target"),
        "from_target": line("ch2", [scene], "from_target", dead=True),
    }
    told = document([scene], "fail", lines=lines, measurements=measurements()[-1:])
    return told, [shot_of(scene, SENT)]


def several_shots(count: int = 3) -> tuple[dict[str, Any], list[Shot]]:
    """One shot after another; the last one loses a character."""
    scenes = [conversation(SENT, shot=i, lose=(1,) if i == count - 1 else ()) for i in range(count)]
    return document(scenes, "fail"), [shot_of(s, SENT) for s in scenes]


def all_values() -> tuple[dict[str, Any], list[Shot]]:
    """256 characters in one record: boxes too narrow for their letters."""
    scene = conversation(bytes(range(256)))
    return document([scene]), [shot_of(scene, bytes(range(256)))]


HOSTILE = b"<script>alert('x')</script>\x1b[2J\x00\"&"


def hostile() -> tuple[dict[str, Any], list[Shot]]:
    """Every text that comes from outside tries to be markup."""
    scene = conversation(HOSTILE)
    tricks = (
        "</style><script>alert(1)</script><img src=http://example.invalid/x onerror=alert(2)>\x1b[31m\u202e"
    )
    told = document(
        [scene],
        "fail",
        criteria=criteria(content=("fail", None, tricks)),
        findings=[finding("echo-changed", "device", "fail", tricks, tricks, **{tricks: tricks})],
    )
    return told, [shot_of(scene, HOSTILE)]


def meta(**parts: Any) -> ReportMeta:
    """A station of the Harbour Street lab."""
    told: dict[str, Any] = {
        "title": "Echo test at north-3",
        "station": "north-3",
        "run_id": "20270112T063108Z-7c2e",
        "sent": SENT,
        "started_at": "2027-01-12T06:31:08Z",
        "finished_at": "2027-01-12T06:31:10Z",
        "instrument": {
            "maker": "Quayside Instruments",
            "model": "QS-2",
            "serial number": "00317",
            "firmware": "1.4",
        },
        "settings": {
            "time base": {"sample_interval_s": 1e-7, "points": 5000, "first_sample_s": -5e-5},
            "ch1": {"probe_ratio": 10.0, "range_v": 6.5536, "offset_v": 1.65, "coupling": "DC"},
            "ch2": {"probe_ratio": 10.0, "range_v": 6.5536, "offset_v": 1.65, "coupling": "DC"},
            "trigger": {"source": "1", "level_v": 1.65, "slope": "falling", "fired": "yes"},
        },
        "versions": {"benchwarden": "0.1.0", "numpy": "2.4.6"},
        "notes": ("The time base was taken as accurate to 25 ppm: nobody stated it.",),
    }
    return ReportMeta(**(told | parts))
