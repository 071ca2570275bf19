"""Inputs from which fuzzing starts: whole files, and records of all makes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.reference import trace_of


def csv_seeds() -> list[bytes]:
    """A small echo, and the ways in which such files differ."""
    volts = trace_of([0x54, 0x37]).volts()[::20]
    lines = enumerate(zip(volts, volts[::-1], strict=True))
    rows = "".join(f"{n * 4e-7:.7g},{v:.4g},{w:.4g}\n" for n, (v, w) in lines)
    header = "time_s,ch1_v,ch2_v\n"
    return [
        (header + rows).encode(),
        ("# a comment\n\n" + header + rows[:400]).encode(),
        (header + "0,0,0\n1e-6,0.5,1\n2e-6,-1,3.3\n").replace("\n", "\r\n").encode("utf-8-sig"),
        b"time_s,ch1_v,ch2_v,ch3_v\n0,1,2,3\n1,1,2,3\n# between\n2,1,nan,3\n",
        (header + "0,1e308,-1e308\n1e-320,-1e308,1e300\n2e-320,1e308,0\n").encode(),
        (header + "-1e300,1e-320,0\n0,0,1e-308\n1e300,3e-320,0\n").encode(),
        b"time_s;ch1_v;ch2_v\n0,0;1,5;2,5\n",
        b'"time_s","ch1_v"\n"0","1"\n"1","2"\n',
    ]


def npz_seeds() -> list[bytes]:
    """Choices of the target: it makes the files."""
    rng = np.random.default_rng(1)
    return [
        b"\1" + bytes(80),
        b"\1\2" + rng.bytes(100),
        b"\1\1" + rng.bytes(100),
        b"\0PK\3\4" + rng.bytes(60),
    ]


def arrays_seeds() -> list[bytes]:
    """Times in even steps with volts of any kind beside them."""
    rng = np.random.default_rng(3)
    return [b"\0" + bytes(220), *(b"\0" + bytes(65) + rng.bytes(220) for _ in range(8))]


def record_seeds() -> list[bytes]:
    """Random choices, of which each make of line gets its share."""
    rng = np.random.default_rng(2)
    return [rng.bytes(int(size)) for size in rng.integers(40, 600, 40)]


SEEDS: dict[str, Callable[[], list[bytes]]] = {
    "arrays": arrays_seeds,
    "csv": csv_seeds,
    "npz": npz_seeds,
    "record": record_seeds,
}
