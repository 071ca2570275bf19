"""Kinds of benches whose trigger somebody left wrong, each in another way: the front panel at power-on, in
words of the open standard (TYPE, COUPling, FILTer:LPASs, HOLDoff: SCPI-1999 vol. 2 ch. 24, from memory).
"""

from __future__ import annotations

from simulator.changes import both, scope, vertical
from simulator.kinds import Kind

FACTOR = "SENS1:CORR:STAT ON;:SENS1:CORR:LOSS 20;:SENS2:CORR:STAT ON;:SENS2:CORR:LOSS 20"
RIGHT = (
    f"{FACTOR};:SENS1:VOLT:RANG:PTP 8;OFFS 1.65;:SENS2:VOLT:RANG:PTP 8;OFFS 1.65",
    "SENS:SWE:POIN 2000;TINT 1E-6;OREF:LOC 0.2;:TRIG:SOUR INT1;LEV 1.65;SLOP NEG",
)
"""A panel on which a 3.3 V line that idles high triggers well."""


def _left(name: str, about: str, wrong: str, finding: str) -> Kind:
    return Kind(name, about, scope(panel=(*RIGHT, wrong)), finding, seen_by="trigger")


TRIGGER_BENCHES = (
    _left("trigger-low", "the trigger level was left at -2 V", "TRIG:LEV -2", "trigger-outside-signal"),
    _left("trigger-high", "the trigger level was left at 12 V", "TRIG:LEV 12", "trigger-outside-signal"),
    _left(
        "trigger-factor",
        "the scope takes the to-target probe for a 1x one, so that its trigger level is ten times too high",
        "SENS1:CORR:STAT OFF;:TRIG:LEV 1.65",
        "trigger-outside-signal",
    ),
    Kind(
        "trigger-dead-source",
        "the trigger listens to channel 2, which sees nothing",
        both(vertical(2, dead=True), scope(panel=(*RIGHT, "TRIG:SOUR INT2"))),
        "trigger-source-quiet",
        seen_by="trigger",
    ),
    _left(
        "trigger-off-source",
        "the trigger listens to channel 2, which is off",
        "INP2:STAT OFF;:TRIG:SOUR INT2",
        "trigger-source-quiet",
    ),
    _left(
        "trigger-external",
        "the trigger listens to the external input",
        "TRIG:SOUR EXT",
        "trigger-source-quiet",
    ),
    _left("trigger-slope", "the trigger waits for a rising edge", "TRIG:SLOP POS", "trigger-slope-wrong"),
    _left("trigger-type", "the trigger waits for a picture", "TRIG:TYPE VID", "trigger-type-wrong"),
    _left("trigger-ac", "the trigger is AC-coupled", "TRIG:COUP AC", "trigger-coupling-wrong"),
    _left(
        "trigger-filter", "the trigger is behind a low pass", "TRIG:FILT:LPAS ON", "trigger-coupling-wrong"
    ),
    _left(
        "trigger-input-ac", "the input of channel 1 is AC-coupled", "INP1:COUP AC", "trigger-coupling-wrong"
    ),
    _left("trigger-endless", "the scope arms itself again and again", "INIT:CONT ON", "trigger-never-stops"),
    _left(
        "trigger-holdoff", "the trigger is deaf for 5 s after each shot", "TRIG:HOLD 5", "trigger-held-off"
    ),
)
