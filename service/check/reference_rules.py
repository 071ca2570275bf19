"""What the reference terminal says about probes and channels: items, and findings with numbers in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from service.check.items import CheckItem, make_item
from service.check.reference import Sight, Wave
from service.nominal import factor_of
from service.pipeline.findings import Finding, make_finding
from service.pipeline.numbers import quantity, with_uncertainty
from service.shots import channel_label
from service.stations import Station

Noticed = Iterator[CheckItem | Finding]

REFERENCE_ONLY = "reference only: the terminal is nominal, not calibrated"
OWN_CLOCK = "no proof of the time base: the terminal runs from the scope's own oscillator"
SIGN_SURE_PERCENT = 0.5
"""From here on the sign of a compensation error is certain."""


def of_probe(station: Station, role: str, sight: Sight, alone: bool) -> Noticed:
    """One probe on the terminal: is there a wave, which factor, how flat. `alone`: no other was put there.

    The wave's rate and level are the terminal's, so they are judged once for both (`of_terminal`).
    """
    channel, ratio = station.probes[role].channel, station.probes[role].ratio
    wave = sight.waves[channel]
    if channel in sight.clipped:
        yield make_item(f"{role}.reference_factor", None, None, f"probe/{role}")
        yield make_finding(
            "clipped",
            role,
            f"{channel_label(channel)} shows {sight.highest_v[channel]:.3g} V at the end of its range, and a "
            "larger range was not to be had.",
            evidence={"end_v": sight.highest_v[channel]},
        )
        return
    if wave is None:
        yield from _no_wave(station, role, sight, alone)
        return
    shown = wave.swing_v / station.reference.volts
    yield make_item(
        f"{role}.reference_factor",
        shown,
        wave.u_v / station.reference.volts,
        f"probe/{role}",
        low=1 / 1.4,
        high=1.4,
        because=REFERENCE_ONLY,
    )
    factor = factor_of(wave.swing_v, station.reference.volts)
    if factor not in (None, 1.0):
        yield _wrong_factor(station, role, ratio, wave, factor or 1.0)
    yield from of_compensation(station, role, wave)


def of_compensation(station: Station, role: str, wave: Wave) -> Noticed:
    """Whether the corner is square, and which way it is not."""
    flat, seen = station.check_limits.flat_percent, wave.compensation
    yield make_item(
        f"{role}.compensation",
        None if seen is None else seen.value,
        None if seen is None else seen.u,
        f"probe/{role}",
        low=-flat,
        high=flat,
    )
    if seen is None or abs(seen.value) <= flat:
        return
    over = seen.value > 0
    channel = channel_label(station.probes[role].channel)
    yield make_finding(
        "probe-overcompensated" if over else "probe-undercompensated",
        role,
        f"on {channel} each step {'overshoots' if over else 'falls short'} by "
        f"{with_uncertainty(abs(seen.value), seen.u, '%')} at first and settles slowly.",
        remedy=f"Put the probe of {channel} on the reference terminal and turn its trimmer "
        f"{'down' if over else 'up'} (so that its capacitance {'falls' if over else 'rises'}) until the tops "
        "are flat.",
        evidence={"percent": seen.value, "u_percent": seen.u},
    )


def of_terminal(station: Station, waves: Mapping[str, Wave]) -> Noticed:
    """Rate and level of the terminal itself, from all probes that show it rightly (`waves` by role)."""
    if not waves:
        return
    printed, limits = station.reference, station.check_limits
    best = min(waves.values(), key=lambda wave: wave.u_hertz)
    off = 100 * (best.hertz / printed.hertz - 1)
    u = 100 * best.u_hertz / printed.hertz
    most = limits.reference_rate_percent
    yield make_item("reference_rate", off, u, "scope", low=-most, high=most, because=OWN_CLOCK)
    if abs(off) > most:
        yield make_finding(
            "reference-rate-off",
            None,
            f"{with_uncertainty(best.hertz, best.u_hertz, 'Hz')} where {quantity(printed.hertz, 'Hz')} is "
            f"printed ({off:+.2g} %).",
            evidence={"hertz": best.hertz, "printed_hertz": printed.hertz},
        )
    yield from _levels(station, waves)


def _levels(station: Station, waves: Mapping[str, Wave]) -> Noticed:
    printed, most = station.reference.volts, station.check_limits.reference_level_percent
    offs = {role: 100 * (wave.swing_v / printed - 1) for role, wave in waves.items()}
    for role, off in offs.items():
        u = 100 * waves[role].u_v / printed
        yield make_item(
            f"{role}.reference_level", off, u, f"channel/{role}", low=-most, high=most, because=REFERENCE_ONLY
        )
    beyond = [role for role, off in offs.items() if abs(off) > most]
    if not beyond:
        return
    both = len(beyond) == len(offs) > 1 and len({off > 0 for off in offs.values()}) == 1
    shown = ", ".join(
        f"{waves[role].swing_v:.3g} V on {channel_label(station.probes[role].channel)}" for role in beyond
    )
    whose = (
        "both channels agree, so it is the terminal or what is printed beside it"
        if both
        else "the other channel shows it rightly, so it is this channel or its probe"
        if len(offs) > 1
        else "only one channel has seen it"
    )
    yield make_finding(
        "reference-level-off",
        None if both else beyond[0],
        f"{shown} where {printed:.3g} V is printed; {whose}.",
        evidence={role: waves[role].swing_v for role in waves} | {"printed_v": printed},
    )


def _no_wave(station: Station, role: str, sight: Sight, alone: bool) -> Noticed:
    channel = station.probes[role].channel
    other_role = next(r for r in station.probes if r != role)
    other = sight.waves[station.probes[other_role].channel]
    yield make_item(f"{role}.reference_factor", None, None, f"probe/{role}")
    if alone and other is not None:
        yield make_finding(
            "probes-exchanged",
            role,
            f"the probe of the {role.replace('_', '-')} line was to be on the reference terminal, and the "
            f"square wave shows on {channel_label(station.probes[other_role].channel)}, not on "
            f"{channel_label(channel)}.",
            remedy="Exchange the two probes at the scope's inputs, or the channels in the stations file.",
            evidence={"expected": channel, "seen": station.probes[other_role].channel},
        )
        return
    yield make_finding(
        "reference-missing",
        role,
        f"{channel_label(channel)} stays at {sight.flat_v[channel]:.3g} V.",
        remedy=f"Put the tip of the probe of {channel_label(channel)} on the reference terminal; see whether "
        "the terminal is on; wiggle the probe's cable.",
        evidence={"flat_v": sight.flat_v[channel]},
    )


def _wrong_factor(station: Station, role: str, ratio: float, wave: Wave, factor: float) -> Finding:
    channel = channel_label(station.probes[role].channel)
    times = "ten times" if factor > 1 else "a tenth of"
    switch = ratio / factor
    return make_finding(
        "probe-ratio",
        role,
        f"{channel} shows {wave.swing_v:.3g} V, {times} the {station.reference.volts:.3g} V of the reference "
        f"terminal. Either the switch on the probe stands at {switch:g}x, or the factor that the scope is "
        f"set to ({ratio:g}x, from the stations file) is not that of the probe.",
        remedy=f"Set the switch on the probe of {channel} to {ratio:g}x. If it stands there, set the probe "
        f"factor of {channel} in the stations file to {switch:g}.",
        evidence={"shown_v": wave.swing_v, "printed_v": station.reference.volts, "factor": factor},
    )
