"""`python -m tests.fuzz TARGET --seconds N`: coverage-guided fuzzing of one target with atheris.

The same seed and seeds each time; whatever breaks a promise is saved in tests/fuzz/found/TARGET and ends the
run with its traceback. Once mended it stays there: test_found.py tries every saved input in each test run.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["service"]):
    from tests.fuzz.targets import LONGEST, TARGETS
from tests.fuzz.seeds import SEEDS

FOUND = Path(__file__).with_name("found")


def main() -> None:
    """Ends the process: 0 when nothing was found in the time."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("target", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=20)
    parser.add_argument("--corpus", metavar="DIR", help="keep what widens the coverage there")
    asked = parser.parse_args()
    warnings.simplefilter("error")
    found = FOUND / asked.target
    found.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        corpus = Path(asked.corpus or folder)
        corpus.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(SEEDS[asked.target]()):
            (corpus / f"seed-{number}").write_bytes(seed)
        options = [
            "-seed=1",
            f"-max_total_time={asked.seconds}",
            f"-max_len={LONGEST[asked.target]}",
            "-timeout=300",  # a loaded machine is no fault
            "-report_slow_units=300",
            "-rss_limit_mb=3000",
            "-print_final_stats=1",
            "-verbosity=0",
            f"-artifact_prefix={found}/",
        ]
        atheris.Setup([sys.argv[0], *options, str(corpus)], TARGETS[asked.target])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
