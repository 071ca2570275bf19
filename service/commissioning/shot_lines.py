"""Whole shots: set up, arm, know when it is ready and when it is done, stop, force, fetch, compare."""

from __future__ import annotations

import math
import time
from dataclasses import replace

from drivers.errors import RequestError
from drivers.scope.capture import Capture
from drivers.scope.settings import Around, rounded
from drivers.scope.setup import ChannelSetup, Difference, ScopeSetup, ScopeState, TriggerSetup
from service.commissioning import capture_checks
from service.commissioning.outcome import DIFFERS, FAILS, WORKS, NotTried, Seen
from service.commissioning.setting_lines import RESOLUTION, SAME
from service.commissioning.trial import Trial

RANGE_V, WIDE_V, OFFSET_V, MOVED_V = 8.0, 16.0, 1.65, 4.0
POINTS, INTERVAL_S, PLACE = 2000, 1e-6, 0.25
OUT_OF_REACH_V = 8.5
"""A trigger level inside a window of 16 V around 1.65 V that no logic line of 5 V reaches."""
NO_FORCE = "this dialect has no force; a signal that triggers is needed"


def try_shots(trial: Trial) -> None:
    """From the whole set-up to a fetched record."""
    setup = quiet_setup(trial)
    if not trial.line("whole set-up", lambda: _set_up(trial, setup)):
        trial.line("shots", _without_set_up)
        return
    if trial.line("arm", lambda: _arm(trial)):
        trial.line("done, while armed", lambda: _not_done(trial))
        trial.line("abort", lambda: _abort(trial))
    if not trial.line("force and done", lambda: _force(trial)):
        return
    fetched: list[Capture] = []
    if trial.line("fetch", lambda: _fetch(trial, fetched)) and trial.scope.state is not None:
        compare_record(trial, fetched[0], trial.scope.state)
        trial.line("volts in two windows", lambda: _same_volts(trial))


def _without_set_up() -> Seen:
    raise NotTried("arming, forcing and fetching need a set-up that works")


def quiet_setup(trial: Trial) -> ScopeSetup:
    """All channels in ordinary windows, a trigger that nothing reaches, a sweep that the scope has taken."""
    points, interval_s = round(trial.taken.get("points", POINTS)), trial.taken.get("interval", INTERVAL_S)
    channels = {name: ChannelSetup(WIDE_V, OFFSET_V) for name in trial.dialect.channels}
    source = next(iter(channels))
    return ScopeSetup(channels, interval_s, points, PLACE, TriggerSetup(source, OUT_OF_REACH_V, "rising"))


def forced(trial: Trial, setup: ScopeSetup) -> tuple[Capture, ScopeState]:
    """One forced record with these settings."""
    if trial.dialect.force is None:
        raise NotTried(NO_FORCE)
    state = trial.scope.set_up(setup)
    trial.scope.arm()
    trial.scope.force()
    wait_done(trial, state)
    return trial.scope.fetch(), state


def wait_done(trial: Trial, state: ScopeState) -> None:
    """Until the shot is complete; RequestError when it does not come to an end."""
    limit_s = state.points * state.sample_interval_s + trial.patience_s
    if not trial.scope.wait(limit_s):
        trial.scope.abort()
        raise RequestError(f"the shot was not done within {limit_s:.3g} s: compare [done] with the manual")


def _set_up(trial: Trial, setup: ScopeSetup) -> Seen:
    mark, start = len(trial.tape), time.perf_counter()
    state = trial.scope.set_up(setup)
    turns = len(trial.tape) - mark
    trial.numbers |= {"set_up_s": time.perf_counter() - start, "set_up_round_trips": turns}
    if not state.differences:
        return WORKS, f"all settings taken and read back in {turns} round trips"
    listed = ", ".join(f"{d.setting} {d.asked} became {d.got}" for d in state.differences)
    if all(_by_its_steps(trial, setup, state, difference) for difference in state.differences):
        return WORKS, f"{listed}, by the scope's own steps; read back in {turns} round trips"
    return DIFFERS, f"{listed} ({turns} round trips)"


def _by_its_steps(trial: Trial, setup: ScopeSetup, state: ScopeState, difference: Difference) -> bool:
    """Whether that is what the dialect lets expect: a value rounded to the steps that it states, or an offset
    or level as finely as the window is divided.
    """
    where, _, fact = difference.setting.rpartition(" ")
    asked, got = difference.asked, difference.got
    if isinstance(asked, str) or isinstance(got, str):
        return False
    channel = where.removeprefix("ch") if where.startswith("ch") else setup.trigger.source
    window_v = state.channels[channel].range_v if channel in state.channels else 0.0
    if fact in ("offset_v", "level_v"):
        return abs(got - asked) <= RESOLUTION * window_v
    setting = trial.dialect.setting({"range_v": "range", "sample_interval_s": "interval"}.get(fact, ""))
    if setting is None:
        return False
    around = Around(
        ratio=setup.channels[channel].probe_ratio if channel in setup.channels else 1.0,
        points=setup.points,
        interval_s=setup.sample_interval_s,
    )
    return math.isclose(got, rounded(setting, float(asked), around), rel_tol=SAME)


def _arm(trial: Trial) -> Seen:
    start = time.perf_counter()
    trial.scope.arm()
    trial.numbers["arm_s"] = time.perf_counter() - start
    if trial.dialect.ready is None:
        return WORKS, "taken; the dialect cannot tell when it is ready for its trigger"
    return WORKS, "armed, and ready for its trigger"


def _not_done(trial: Trial) -> Seen:
    if not trial.scope.is_done():
        return WORKS, "not done while it waits for its trigger"
    return FAILS, (
        f"it says that it is done although its trigger level is {OUT_OF_REACH_V} V: compare [done] with the "
        "manual, or take away a signal that is so large"
    )


def _abort(trial: Trial) -> Seen:
    trial.scope.abort()
    ready = trial.scope.is_ready()
    if ready is None:
        return WORKS, "taken"
    if ready:
        return FAILS, "after it the scope still says that it is ready for its trigger"
    return WORKS, "taken; it does not wait for a trigger any more"


def _force(trial: Trial) -> Seen:
    if trial.dialect.force is None:
        raise NotTried(NO_FORCE)
    assert trial.scope.state is not None
    trial.scope.arm()
    trial.scope.force()
    start = time.perf_counter()
    wait_done(trial, trial.scope.state)
    trial.numbers["force_to_done_s"] = time.perf_counter() - start
    return WORKS, "a forced record comes to its end, and the scope says so"


def _fetch(trial: Trial, fetched: list[Capture]) -> Seen:
    capture = trial.scope.fetch()
    fetched.append(capture)
    points, channels = len(capture.channels[0].codes), len(capture.channels)
    return WORKS, f"{channels} records of {points} samples as {capture.channels[0].codes.dtype}"


def compare_record(trial: Trial, capture: Capture, state: ScopeState) -> None:
    """Lengths, codes, scale and time base of a record against what was read back."""
    fetch = trial.dialect.fetch
    trial.line("record length", lambda: capture_checks.lengths(capture, state))
    trial.line("record codes", lambda: capture_checks.codes(capture))
    trial.line("record scale", lambda: capture_checks.scale(capture, state, fetch))
    trial.line("record time base", lambda: capture_checks.time_base(capture, state, fetch))
    trial.line("record trigger place", lambda: capture_checks.trigger_place(capture, state, fetch))


def _same_volts(trial: Trial) -> Seen:
    """The same lines in a narrow, a wide and a moved window."""
    base = quiet_setup(trial)
    windows = ((WIDE_V, OFFSET_V), (RANGE_V, OFFSET_V), (WIDE_V, OFFSET_V + MOVED_V))
    captures = [forced(trial, in_window(base, *window))[0] for window in windows]
    return capture_checks.same_volts(captures)


def in_window(setup: ScopeSetup, range_v: float, offset_v: float) -> ScopeSetup:
    """The set-up with this window on every channel; the trigger stays inside it."""
    channels = {
        name: replace(channel, range_v=range_v, offset_v=offset_v) for name, channel in setup.channels.items()
    }
    level = min(setup.trigger.level_v, offset_v + 0.45 * range_v)
    return replace(setup, channels=channels, trigger=replace(setup.trigger, level_v=level))
