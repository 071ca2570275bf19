"""What `benchwarden analyze` of a small trace takes as a whole process, beside a bare import of numpy."""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from service.pipeline.readings import FrameFormat
from tests.bench.figures import Figure
from tests.reference import Wire, boundaries, sampled, volts

FRAME = FrameFormat(8, "N", 1)
BAUD = 230400.0
TEXT = b"Tide 7"
INTERVAL_S = 100e-9
SAMPLES = 6500
ANSWER_S = 20e-6
"""From the end of the first character to the start of its echo."""
GOAL = 2.0
OPTIONS = {"nominal": ["--baud", "230400", "--frame", "8N1"], "blind": []}


def small_trace(path: Path) -> None:
    """An echo of six characters, sampled every 100 ns, as a text file."""
    rng = np.random.default_rng(8)
    wire = Wire(noise_v=0.02, interval_s=INTERVAL_S)
    bit = 1 / BAUD
    start = -50e-6
    times = np.asarray(start + np.arange(SAMPLES) * INTERVAL_S, np.float64)
    lines = [
        sampled(volts(boundaries(list(TEXT), bit, FRAME, begin)[0], times, wire), wire, start, rng).volts()
        for begin in (0.0, 10 * bit + ANSWER_S)
    ]
    rows = "\n".join(f"{t:.9g},{a:.6g},{b:.6g}" for t, a, b in zip(times, *lines, strict=True))
    path.write_text(f"time_s,ch1_v,ch2_v\n{rows}\n")


def processor_time(command: Sequence[str], environment: Mapping[str, str]) -> float:
    """Seconds of processor time of a whole process: what others do on the machine does not count."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, env=environment, check=True, stdout=subprocess.DEVNULL, timeout=60)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime


def startup_figures(rounds: int) -> Iterator[Figure]:
    """Ratios, the processes started turn about; their modules are compiled, as those of an installed package
    are.
    """
    command = Path(sys.executable).with_name("benchwarden")
    with tempfile.TemporaryDirectory() as folder:
        trace = Path(folder, "small.csv")
        small_trace(trace)
        environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = folder
        commands = {"numpy": [sys.executable, "-c", "import numpy"]} | {
            name: [str(command), "analyze", str(trace), *options] for name, options in OPTIONS.items()
        }
        for each in commands.values():
            processor_time(each, environment)
        times = [{k: processor_time(c, environment) for k, c in commands.items()} for _ in range(rounds)]
    bare = statistics.median(each["numpy"] for each in times)
    for name in OPTIONS:
        whole = statistics.median(each[name] for each in times)
        ratio = statistics.median(each[name] / each["numpy"] for each in times)
        note = f"{1e3 * whole:.0f} ms, import numpy {1e3 * bare:.0f} ms, {rounds} starts each"
        yield Figure("start-up", f"analyze {name} / import numpy", "x", ratio, GOAL, note=note)
