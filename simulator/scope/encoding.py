"""Codes of a record -> response data, as FORMat says (IEEE 488.2 8.7.9 definite blocks)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.scope.front_end import Codes
from simulator.scope.settings import ChannelSettings, FormatSettings

CODES = 256
"""Steps of the vertical window."""


def encode(codes: Codes, channel: ChannelSettings, form: FormatSettings) -> bytes:
    """INTeger,8 sends the codes, INTeger,16 the codes x 256, REAL and ASCii volts at the tip."""
    if form.data == "INT":
        return block(codes.tobytes() if form.length == 8 else _ordered(codes.astype(np.int16) * 256, form))
    volts = codes * (channel.window_v / CODES) + channel.centre_v
    if form.data == "REAL":
        return block(_ordered(volts.astype(np.float32 if form.length == 32 else np.float64), form))
    return ",".join(f"{volt:.6E}" for volt in volts.tolist()).encode("ascii")


def block(data: bytes) -> bytes:
    """A definite length block: `#`, number of length digits, length, data."""
    length = str(len(data))
    return b"#" + str(len(length)).encode() + length.encode() + data


def _ordered(values: NDArray[Any], form: FormatSettings) -> bytes:
    return values.astype(values.dtype.newbyteorder(">" if form.border == "NORM" else "<")).tobytes()
