"""Settings of the trigger, as a person may have left them, act as they are called."""

from __future__ import annotations

import pytest

from tests.simulator.desk import VERTICAL
from tests.simulator.test_person import SQUARE, Manned


def heard(settings: str, hertz: str = "reference") -> bool:
    """Whether a trigger with these settings fires on the reference terminal's square wave, 0..5 V."""
    desk = Manned()
    desk.person.move_probe(1, hertz)
    desk.tell(VERTICAL + ";" + SQUARE.format(1e-6, 1000) + ";:TRIG:SOUR INT1;LEV 2.5;:" + settings + ";:INIT")
    for _ in range(6):
        desk.clock.spend(2e-3)
        if desk.ask("STAT:OPER:COND?") == "0":
            return True
    return False


@pytest.mark.parametrize(
    ("settings", "fires"),
    [
        ("TRIG:TYPE EDGE", True),
        ("TRIG:TYPE VID", False),
        ("TRIG:COUP AC", False),  # the square then lies at -2.5..2.5 V
        ("TRIG:COUP AC;LEV 0", True),
        ("TRIG:FILT:LPAS ON", True),  # 50 kHz passes 1 kHz
        ("TRIG:LEV 5.5", False),
        ("TRIG:LEV -2", False),
        ("INP1:COUP AC", False),
        ("TRIG:SOUR EXT", False),
    ],
)
def test_trigger_settings_act_as_they_are_called(settings: str, fires: bool) -> None:
    """SCPI-1999 vol. 2 ch. 24 (TYPE, COUPling, FILTer:LPASs; from memory)."""
    assert heard(settings) is fires


def test_a_holdoff_keeps_the_trigger_deaf_after_a_shot() -> None:
    """TRIGger:HOLDoff: the second shot waits until it is over."""
    desk = Manned()
    desk.person.move_probe(1, "reference")
    desk.tell(VERTICAL + ";" + SQUARE.format(1e-6, 1000) + ";:TRIG:SOUR INT1;LEV 2.5;HOLD 0.5;:INIT")
    begun = desk.clock.now()
    desk.ask("*WAI")
    desk.tell("INIT")
    desk.clock.spend(0.1)
    assert desk.ask("STAT:OPER:COND?") == "40"
    desk.ask("*WAI")
    assert desk.clock.now() - begun == pytest.approx(0.5, abs=0.01)
