"""The invented scope of lantern.toml as a server: written from its manual, not from the driver.

It is a small one: it has no front end, only a drawn signal, but it keeps its settings, rounds them,
complains, waits, and sends windows of its memory.
"""

from __future__ import annotations

import numpy as np

from tests.drivers.servers import Act, block, say

VOLTS_HIGH, VOLTS_LOW, EDGE_S = 3.3, 0.0, 2e-6
"""Its signal at the probe tip: low until 2 us after the trigger, then high."""


class Lantern:
    """Answers one line at a time; `heard` is everything it was told."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.trouble: list[str] = []
        self.doing = "ASLEEP"
        self.polls_to_go = 0
        self.tip = {"red": 1.0, "blue": 1.0}
        self.sense_mv = {"red": 1000, "blue": 1000}
        self.lift = {"red": 0.0, "blue": 0.0}
        self.shown = {"A": "Y", "B": "Y"}
        self.depth = 1000
        self.speed_us = 100.0
        self.middle_ns = 0.0
        self.hunt = {"ON": "BLUE", "WAY": "UP", "AT": "0"}
        self.stays_asleep = False

    def __call__(self, line: str) -> Act | None:
        self.heard.append(line)
        word, _, rest = line.partition(" ")
        method = METHODS.get(word)
        if method is None:
            self.trouble.append(f'7,"NO SUCH WORD {word}"')
            return None
        return method(self, rest.split())

    # --- the words of its manual ---------------------------------------------------------------------------

    def who(self, _rest: list[str]) -> Act:
        return say("LANTERN QUAY,LQ-4,0042,2.1")

    def tell_trouble(self, _rest: list[str]) -> Act:
        return say(self.trouble.pop(0) if self.trouble else '0,"ALL WELL"')

    def hush(self, _rest: list[str]) -> None:
        self.trouble.clear()

    def set_tip(self, rest: list[str]) -> None:
        self.tip[rest[0]] = float(rest[1])

    def ask_tip(self, rest: list[str]) -> Act:
        return say(f"{self.tip[rest[0]]:g}")

    def set_sense(self, rest: list[str]) -> None:
        value = int(rest[1])
        if value not in (100, 200, 500, 1000, 2000, 5000):
            self.trouble.append(f'12,"SENSE CANNOT BE {value}"')
            return
        self.sense_mv[rest[0]] = value

    def ask_sense(self, rest: list[str]) -> Act:
        return say(f"SENSE {self.sense_mv[rest[0]]}MV")

    def set_lift(self, rest: list[str]) -> None:
        self.lift[rest[0]] = round(float(rest[1]) * 50) / 50  # it moves in 1/50 of a division

    def ask_lift(self, rest: list[str]) -> Act:
        return say(f"{self.lift[rest[0]]:.2f}")

    def show(self, rest: list[str]) -> None:
        self.shown[rest[0]] = rest[1]

    def ask_show(self, rest: list[str]) -> Act:
        return say(self.shown[rest[0]])

    def set_depth(self, rest: list[str]) -> None:
        self.depth = int(rest[0])

    def ask_depth(self, _rest: list[str]) -> Act:
        return say(str(self.depth))

    def set_speed(self, rest: list[str]) -> None:
        wanted = float(rest[0])
        speeds = [s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0) if s >= wanted * 0.999]
        if speeds:
            self.speed_us = speeds[0]
        else:
            self.trouble.append(f'13,"SPEED CANNOT BE {wanted:g}"')

    def ask_speed(self, _rest: list[str]) -> Act:
        return say(f"AUTO, {self.speed_us:.3f} ,US")

    def set_middle(self, rest: list[str]) -> None:
        self.middle_ns = float(rest[0])

    def ask_middle(self, _rest: list[str]) -> Act:
        return say(f"{self.middle_ns:.1f}")

    def set_hunt(self, rest: list[str]) -> Act | None:
        if rest[0].endswith("?"):
            return say(self.hunt[rest[0].rstrip("?")])
        self.hunt[rest[0]] = rest[1]
        return None

    def go(self, _rest: list[str]) -> None:
        if not self.stays_asleep:
            self.doing, self.polls_to_go = "FILLING", 5

    def ask_doing(self, _rest: list[str]) -> Act:
        if self.polls_to_go:
            self.polls_to_go -= 1
            self.doing = {3: "WATCHING", 0: "FULL"}.get(self.polls_to_go, self.doing)
        return say(self.doing)

    def kick(self, _rest: list[str]) -> None:
        self.polls_to_go, self.doing = 0, "FULL"

    def halt(self, _rest: list[str]) -> None:
        self.polls_to_go, self.doing = 0, "ASLEEP"

    def ruler(self, rest: list[str]) -> Act:
        """Points, ns, uV for one step of the 16-bit word, word at the reference, its mV, us before the
        trigger."""
        lead = self._lead(rest[0])
        microvolts = 8 * self._mv_at_input(lead) * 1000 / 65536
        before_us = self._span_us() / 2 - self.middle_ns / 1000
        centre_mv = -self.lift[lead] * self._mv_at_input(lead)
        interval_ns = self._interval_us() * 1000
        return say(
            f"{rest[0]}/{self.depth}/{interval_ns:.6f}/{microvolts:.9f}/32768/{centre_mv:.6f}/{before_us:.6f}"
        )

    def grab(self, rest: list[str]) -> Act:
        first, last = int(rest[1]), int(rest[2])
        if last - first >= 400:
            self.trouble.append('20,"AT MOST 400 AT A TIME"')
            return say("")
        lead = self._lead(rest[0])
        times = (
            np.arange(self.depth) * self._interval_us() + self.middle_ns / 1000 - self._span_us() / 2
        ) * 1e-6
        volts = np.where(times < EDGE_S, VOLTS_LOW, VOLTS_HIGH) / self.tip[lead]
        centre = -self.lift[lead] * self._mv_at_input(lead) / 1000
        window = 8 * self._mv_at_input(lead) / 1000
        codes = np.clip(np.round((volts - centre) / window * 4096) + 2048, 0, 4095).astype(np.uint16) << 4
        return Act(block(codes[first - 1 : last].astype("<u2").tobytes()))

    # --- inside
    # --------------------------------------------------------------------------------------------------

    def _lead(self, channel: str) -> str:
        return {"A": "red", "B": "blue"}[channel]

    def _mv_at_input(self, lead: str) -> float:
        return self.sense_mv[lead] / self.tip[lead]

    def _interval_us(self) -> float:
        return self.speed_us * 10 / self.depth

    def _span_us(self) -> float:
        return self._interval_us() * (self.depth - 1)


METHODS = {
    "WHO": Lantern.who,
    "TROUBLE": Lantern.tell_trouble,
    "HUSH": Lantern.hush,
    "TIP": Lantern.set_tip,
    "TIP?": Lantern.ask_tip,
    "SENSE": Lantern.set_sense,
    "SENSE?": Lantern.ask_sense,
    "LIFT": Lantern.set_lift,
    "LIFT?": Lantern.ask_lift,
    "SHOW": Lantern.show,
    "SHOW?": Lantern.ask_show,
    "DEPTH": Lantern.set_depth,
    "DEPTH?": Lantern.ask_depth,
    "SPEED": Lantern.set_speed,
    "SPEED?": Lantern.ask_speed,
    "MIDDLE": Lantern.set_middle,
    "MIDDLE?": Lantern.ask_middle,
    "HUNT": Lantern.set_hunt,
    "GO": Lantern.go,
    "DOING": Lantern.ask_doing,
    "KICK": Lantern.kick,
    "HALT": Lantern.halt,
    "RULER": Lantern.ruler,
    "GRAB": Lantern.grab,
}
