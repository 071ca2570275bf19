"""`python -m tests.bench`: the pipeline's figures beside goal and bound, measured in this run."""

from __future__ import annotations

import argparse
import json
import platform
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from tests.bench.blind import blind_figures
from tests.bench.figures import Figure, as_data, as_table
from tests.bench.lines import level_figures, line_figures
from tests.bench.noise import noise_figures, noise_only_figures
from tests.bench.round_trips import round_trip_figures
from tests.bench.scale import scale_figures
from tests.bench.speed import speed_figures
from tests.bench.startup import startup_figures
from tests.bench.timing import timing_figures, timing_plot
from tests.bench.transfer import transfer_figures
from tests.bench.unresolved import unresolved_figures

PARTS = (
    "startup",
    "speed",
    "timing",
    "unresolved",
    "noise",
    "blind",
    "lines",
    "levels",
    "set-up",
    "transfer",
    "scale",
)


def arguments(words: Sequence[str] | None = None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--json", metavar="FILE", help="keep the figures as JSON")
    parser.add_argument("--plots", metavar="DIR", help="draw error-rate.svg and bit-time.svg there")
    parser.add_argument("--only", choices=PARTS, action="append", help="only this part (may be repeated)")
    parser.add_argument("--effort", type=float, default=1.0, help="share of the usual number of random runs")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    """Measure, print, keep; exit code 1 when a goal is missed."""
    asked = arguments(words)
    parts = asked.only or list(PARTS)
    figures: list[Figure] = []
    plots: dict[str, str] = {}

    def runs(usual: int) -> int:
        return max(round(usual * float(asked.effort)), 2)

    def keep(found: Iterable[Figure]) -> None:
        for figure in found:
            figures.append(figure)
            print(".", end="", file=sys.stderr, flush=True)

    if "startup" in parts:
        keep(startup_figures(runs(31)))
    if "speed" in parts:
        keep(speed_figures())
    if "timing" in parts:
        keep(timing_figures(runs(200), runs(4000)))
        plots["bit-time.svg"] = timing_plot(runs(300))
    if "unresolved" in parts:
        keep(unresolved_figures(runs(30)))
    if "noise" in parts:
        found, plots["error-rate.svg"] = noise_figures(runs(40))
        keep(found)
        keep(noise_only_figures(runs(80)))
    if "blind" in parts:
        keep(blind_figures(runs(300)))
    if "lines" in parts:
        keep(line_figures(runs(20)))
    if "levels" in parts:
        keep(level_figures(runs(20)))
    if "set-up" in parts:
        keep(round_trip_figures())
    if "transfer" in parts:
        keep(transfer_figures())
    if "scale" in parts:
        keep(scale_figures())
    print(file=sys.stderr)
    print(as_table(figures))
    _store(asked, figures, plots)
    missed = [figure for figure in figures if figure.met is False]
    print(f"\n{len(figures)} figures, {len(missed)} goals missed")
    return 1 if missed else 0


def _store(asked: argparse.Namespace, figures: Sequence[Figure], plots: dict[str, str]) -> None:
    if asked.json:
        about = {"python": platform.python_version(), "numpy": np.__version__, "machine": platform.machine()}
        Path(asked.json).write_text(
            json.dumps({"about": about, "figures": as_data(figures)}, indent=1) + "\n"
        )
    if asked.plots:
        folder = Path(asked.plots)
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in plots.items():
            (folder / name).write_text(text)


if __name__ == "__main__":
    sys.exit(main())
