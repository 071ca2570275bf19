"""The table of finding codes: side, usual severity, words and remedy of each, in one place.

Those of the trigger's settings stand in trigger_codes.py; all of them together are CODES.
"""

from __future__ import annotations

from service.pipeline.check_codes import CHECK_CODES
from service.pipeline.code_row import BENCH, DEVICE, FAIL, INFO, SEVERITIES, WARNING, Code
from service.pipeline.hands_codes import HANDS_CODES
from service.pipeline.polarity_codes import POLARITY_CODES
from service.pipeline.trigger_codes import TRIGGER_CODES

__all__ = ["BENCH", "CODES", "DEVICE", "FAIL", "INFO", "SEVERITIES", "TO_TARGET_REMEDY", "WARNING", "Code"]

TO_TARGET_REMEDY = (
    "check the settings of the serial link, its adapter, the wiring and the probe on that line; "
    "the firmware is not judged by it."
)

CODES: tuple[Code, ...] = (
    # -- device: the firmware or the board ------------------------------------------------------------------
    Code(
        "echo-missing",
        DEVICE,
        FAIL,
        "A character was not echoed",
        "Look at the place in the waveform: is it the first, the last, one in a burst, one special value? "
        "A single-character receive register that is read too late loses characters in bursts.",
        criterion="content",
    ),
    Code(
        "echo-extra",
        DEVICE,
        FAIL,
        "The firmware sent a character that nobody had asked for",
        "Look for a doubled transmit, a line ending that is translated, a greeting after reset.",
        criterion="content",
    ),
    Code(
        "echo-changed",
        DEVICE,
        FAIL,
        "A character came back as another one",
        "Compare the bits: 0x20 apart is letter case, bit 7 lost is a seven-bit setting, a shifted "
        "pattern is a rate.",
        criterion="content",
    ),
    Code(
        "echo-out-of-order",
        DEVICE,
        FAIL,
        "Characters came back in another order",
        "Look at the head and tail of the buffer and at who may write to it while it is read.",
        criterion="order",
    ),
    Code(
        "echo-late",
        DEVICE,
        FAIL,
        "An echo came later than allowed",
        "Look for work between receive and transmit: displays, conversions, delays, a slow task.",
        criterion="timing",
    ),
    Code(
        "framing-error",
        DEVICE,
        FAIL,
        "The stop bit is not where it belongs",
        "Compare rate, data bits and stop bits of both ends.",
        True,
        criterion="framing",
    ),
    Code(
        "break",
        DEVICE,
        FAIL,
        "The line was held at start level for longer than a character",
        "Look for a pin that is switched over, a reset, or a break that is sent on purpose.",
        True,
        criterion="framing",
    ),
    Code(
        "parity-error",
        DEVICE,
        FAIL,
        "The parity bit does not fit the data",
        "Compare the parity setting of both ends: none, even, odd, mark, space.",
        True,
        criterion="framing",
    ),
    Code(
        "rate-off",
        DEVICE,
        FAIL,
        "The bit rate is off",
        "Check the divider and the clock that it assumes: an oscillator that was never switched on shows "
        "here.",
        True,
        criterion="rate",
    ),
    Code(
        "level-out-of-limits",
        DEVICE,
        FAIL,
        "A level is not what the receiving side needs",
        "Check the supply, the pin's output mode, loads on the line, and that no second output drives it.",
        True,
        criterion="levels",
    ),
    Code(
        "slow-edge",
        DEVICE,
        FAIL,
        "An edge is slow",
        "Look for an open-drain output with a weak pull-up, a large capacitance, a long wire.",
        True,
        criterion="edges",
    ),
    # -- bench: scope, probes, wiring, link ------------------------------------------------------------------
    Code(
        "probe-ratio",
        BENCH,
        WARNING,
        "The probe factor does not fit the levels",
        "Compare the switch on the probe with the probe factor that the scope is set to; make them agree.",
    ),
    Code(
        "probe-overcompensated",
        BENCH,
        WARNING,
        "The probe is over-compensated",
        "Put the probe on the reference terminal and turn its trimmer until the square has flat tops.",
    ),
    Code(
        "probe-undercompensated",
        BENCH,
        WARNING,
        "The probe is under-compensated",
        "Put the probe on the reference terminal and turn its trimmer until the square has flat tops.",
    ),
    Code(
        "probes-exchanged",
        BENCH,
        WARNING,
        "The two probes are exchanged",
        "Exchange the probe tips, or name the channels the other way round in the stations file. "
        "The results follow the traffic, so the roles are right here.",
    ),
    Code(
        "lines-bridged",
        BENCH,
        FAIL,
        "The from-target line shows the to-target line's own characters",
        "An echo cannot start before its character has been received: look for a wire or a solder bridge "
        "between "
        "the two lines, both probes on one node, or a link that echoes by itself.",
    ),
    Code(
        "crosstalk",
        BENCH,
        WARNING,
        "A line at rest carries a small copy of the other line's edges",
        "Use the short ground springs, keep the two leads apart, check that both ground clips sit on the "
        "board.",
    ),
    Code(
        "clipped",
        BENCH,
        WARNING,
        "The waveform leaves the scope's range",
        "Choose a larger vertical range or move its centre, then measure again.",
    ),
    Code(
        "zero-shifted",
        BENCH,
        WARNING,
        "Both levels are shifted by the same amount",
        "Check the ground clips, the channel's offset and its zero; clip only to the board's own ground.",
    ),
    Code(
        "noisy",
        BENCH,
        WARNING,
        "The line is noisy",
        "Check the ground clip and the probe; use the short ground spring; look for a supply or lamp "
        "close by.",
    ),
    Code(
        "glitches",
        BENCH,
        WARNING,
        "Short pulses that belong to no character were left out",
        "Look at them in the waveform: loose contacts, crosstalk and switching supplies make such pulses.",
    ),
    Code(
        "too-few-samples",
        BENCH,
        WARNING,
        "There are too few samples",
        "Choose a shorter sample interval, if need be with fewer characters in one shot.",
    ),
    Code(
        "capture-cut",
        BENCH,
        WARNING,
        "The record does not hold the whole traffic",
        "Choose a longer record, an earlier trigger place, or fewer characters in one shot.",
    ),
    Code(
        "no-activity",
        BENCH,
        FAIL,
        "No characters were seen on the to-target line",
        "Check the probe on that line, the serial link and the power of the board; then send again.",
    ),
    Code(
        "line-undriven",
        BENCH,
        FAIL,
        "Nothing drives the from-target line",
        "Check the probe tip, the wire from the target's transmit pin, and that the board is powered and "
        "out of reset.",
    ),
    Code(
        "stimulus-differs",
        BENCH,
        WARNING,
        "The to-target line carried something else than what was sent",
        "Check the serial link's settings, driver and cable. Echoes are judged against what the line "
        "really carried.",
    ),
    Code(
        "rate-ambiguous",
        BENCH,
        WARNING,
        "The record does not tell the bit rate for certain",
        "State the rate, or send characters with single bits in them, such as 0x55.",
    ),
    Code(
        "format-ambiguous",
        BENCH,
        INFO,
        "The record allows more than one frame format",
        "State the format, or send more and more varied characters.",
    ),
    *POLARITY_CODES,
    *TRIGGER_CODES,
    *CHECK_CODES,
    *HANDS_CODES,
    Code(
        "reference-missing",
        BENCH,
        WARNING,
        "No reference square wave was seen",
        "Put both probe tips on the scope's reference terminal for this step.",
    ),
    Code(
        "reference-rate-off",
        BENCH,
        WARNING,
        "The reference square wave has an unexpected rate",
        "Compare with a second clock: the reference terminal runs from the scope's own oscillator.",
    ),
    Code(
        "reference-level-off",
        BENCH,
        WARNING,
        "The reference square wave has an unexpected level",
        "Check probe factor, probe switch and contact; compare with a meter that is in date.",
    ),
    Code(
        "instrument-error",
        BENCH,
        WARNING,
        "The scope reported an error",
        "Read the error text; check that the dialect fits this scope.",
    ),
    Code(
        "link-silent",
        BENCH,
        FAIL,
        "The serial link does not answer",
        "Check the cable, the port's address and whether another program holds the port.",
    ),
    Code(
        "identity-changed",
        BENCH,
        FAIL,
        "Another instrument answers than the one that was commissioned",
        "Check the address and the inventory; commission the new instrument before it is used.",
    ),
    Code(
        "self-test-failed",
        BENCH,
        FAIL,
        "The scope's self-test failed",
        "Switch it off and on and repeat; if it stays, take it out of use.",
    ),
)
