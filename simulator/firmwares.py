"""Kinds of firmware, one row each: a name, one line about it, what it changes in the plan of a bench, and the
finding that must notice it.
"""

from __future__ import annotations

import math

from simulator.changes import (
    as_it_is,
    at_another_rate,
    program,
    target,
    target_driver,
    with_other_parity,
    with_parity_bit,
)
from simulator.kinds import Kind
from simulator.target import firmware as programs

FIRMWARES = (
    Kind("good", "echoes every character", as_it_is),
    Kind("silent", "reads and never answers", program(program=programs.stay_silent), "echo-missing"),
    Kind(
        "drops-one",
        "forgets the 2nd of every 5 characters",
        program(program=programs.drop_one),
        "echo-missing",
    ),
    Kind(
        "doubles-one",
        "says the 2nd of every 5 characters twice",
        program(program=programs.double_one),
        "echo-extra",
    ),
    Kind("changes-case", "swaps upper and lower case", program(program=programs.change_case), "echo-changed"),
    Kind(
        "flips-bit",
        "flips the lowest bit of the 2nd of every 5",
        program(program=programs.flip_bit),
        "echo-changed",
    ),
    Kind(
        "swaps-pair",
        "answers the 1st of every 5 after the 2nd",
        program(program=programs.swap_pair),
        "echo-out-of-order",
    ),
    Kind("late", "answers 5 ms late", program(work_s=5e-3), "echo-late"),
    Kind(
        "slows-down",
        "each answer of a burst comes 1 ms later than the one before",
        program(slows_down_s=1e-3),
        "echo-late",
    ),
    Kind(
        "overrun",
        "reads the register too rarely and loses characters",
        program(work_s=70e-6, polls=True),
        "echo-missing",
    ),
    Kind("wrong-rate", "sends 2.8 % too fast", target(send_rate_percent=2.8), "rate-off"),
    Kind(
        "drifts",
        "its sending rate runs away, 0.4 % with each character",
        target(drift_percent_per_character=0.4),
        "rate-off",
    ),
    Kind(
        "inverted",
        "its output is upside down and rests low",
        target_driver(high_v=0.02, low_v=3.28),
        "line-inverted",
    ),
    Kind("framing", "sends its stop element as a space", target(stop_level=0), "framing-error"),
    Kind(
        "parity-bit",
        "adds a parity bit that nobody asked for",
        with_parity_bit,
        "framing-error",
        frame="8N1",
    ),
    Kind("wrong-parity", "sends the other parity", with_other_parity, "parity-error", frame="8E1"),
    Kind(
        "sends-break",
        "sends a break after the 2nd of every 5",
        program(program=programs.send_break),
        "break",
    ),
    Kind(
        "weak-levels",
        "drives high only to 1.9 V and low only to 0.9 V",
        target_driver(high_v=1.9, low_v=0.9),
        "level-out-of-limits",
    ),
    Kind(
        "slow-edges", "rises in 1.2 us, as behind a weak pull-up", target_driver(rise_s=1.2e-6), "slow-edge"
    ),
    Kind(
        "boot-loader",
        "its boot loader still waits and answers everything with its prompt",
        target(boot_s=math.inf, boot_answer=b"?"),
        "echo-changed",
    ),
    Kind(
        "boot-loader-leaves",
        "its boot loader answers with a prompt until nobody has spoken for 1.5 s, then all is well",
        target(boot_s=1.5, boot_answer=b">"),
        "echo-changed",
    ),
    Kind(
        "boot-loader-silent",
        "its boot loader says nothing until nobody has spoken for 1.5 s, then all is well",
        target(boot_s=1.5),
        "echo-missing",
    ),
    Kind(
        "half-rate",
        "hears and sends at half of the rate, and so hears something else than what is sent",
        at_another_rate(0.5),
        "rate-off",
    ),
    Kind(
        "sends-at-half",
        "hears right and sends at half of the rate",
        target(send_rate_percent=-50.0),
        "rate-off",
    ),
)
