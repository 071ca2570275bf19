"""What weeks do to a bench: slow drifts where the plan has them, and the little play of every day.

How much parts wander from day to day is a choice of ours: crystals by a fraction of a ppm, gains by
hundredths of a percent, as a room's temperature does it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from simulator.plan import BenchPlan, InputPlan, SerialEnd

DAYS_A_WEEK = 7.0
GAIN_PLAY = 2e-4
CLOCK_PLAY_PPM = 0.3
NOISE_SEEDS = 1_000_003


def aged(plan: BenchPlan, days: float) -> BenchPlan:
    """The same bench so many days later; noise and play are new each day, the same for the same day."""
    if days == 0:
        return plan
    age = plan.age_days + days
    now = np.random.default_rng([plan.seed, 9, math.floor(age)])
    before = np.random.default_rng([plan.seed, 9, math.floor(plan.age_days)])
    play = now.standard_normal(5) - (before.standard_normal(5) if plan.age_days else 0.0)
    inputs = [
        _older(part, days, float(extra)) for part, extra in zip(plan.scope.inputs, play[:2], strict=True)
    ]
    scope = replace(
        plan.scope,
        inputs=(inputs[0], inputs[1]),
        clock_ppm=plan.scope.clock_ppm + CLOCK_PLAY_PPM * float(play[2]),
    )
    return replace(
        plan,
        scope=scope,
        bridge=replace(plan.bridge, end=_wandered(plan.bridge.end, float(play[3]))),
        target=replace(plan.target, end=_wandered(plan.target.end, float(play[4]))),
        seed=plan.seed + NOISE_SEEDS * math.floor(age),
        age_days=age,
    )


def _older(part: InputPlan, days: float, play: float) -> InputPlan:
    weeks = days / DAYS_A_WEEK
    trimmer_pf = part.probe.trimmer_pf + weeks * part.probe.trimmer_pf_per_week
    return replace(
        part,
        gain_error=part.gain_error + weeks * part.gain_per_week + GAIN_PLAY * play,
        probe=replace(part.probe, trimmer_pf=trimmer_pf),
    )


def _wandered(end: SerialEnd, play: float) -> SerialEnd:
    return replace(end, clock_ppm=end.clock_ppm + CLOCK_PLAY_PPM * play)
