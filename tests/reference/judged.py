"""The controller on the independent plant: steps both ways, as ``tune`` reports them."""

import numpy as np

from controller.joint import modes
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from controller.records import copy
from sim.run.scenarios import step_ends
from tests.reference.independent_plant import (
    AMPERE,
    DRUM_V,
    JOINT,
    Constants,
    Wiper,
    advance,
    at_rest,
)

LEAD_S, WATCHED_S = 0.05, 1.2
BAND = 0.02


def settings_of(joint, settings=None):
    """The settings with which ``sim`` makes its steps: no self-test at arming."""
    made = type(joint.settings)()
    copy(settings or joint.settings, made)
    made.stopping.check_V = 0.0
    return made


def stepped(settings, part, winding_C, ends, delay_s, seed):
    """One step on one part: settling (s, nan never), overshoot (rad), steady-state error (rad), fault."""
    constants = Constants.of(part, winding_C)
    start, target = ends
    x = at_rest(constants, start)
    rng = np.random.default_rng(seed)
    wiper = Wiper(part.sensor, start, rng)
    state, command, readings, report = State(), Command(), Readings(), Report()
    tick, duty = settings.tick_s, 0.0
    lead = round(LEAD_S / tick)
    course = np.zeros(round((LEAD_S + WATCHED_S) / tick))
    for k in range(len(course)):
        course[k] = x[JOINT]
        if k == round(0.01 / tick):
            command.request = modes.ARM
        if k == lead:
            command.kind, command.target_rad = 1, target
        readings.counts = wiper.read(x[JOINT])
        readings.supply_V = part.supply_V - part.supply_ohm * duty * x[AMPERE]
        readings.current_A = x[AMPERE]
        readings.steps = 1
        value = joint_tick(settings, state, command, readings, report)
        late = min(delay_s, tick)
        if late > 0.0:
            advance(x, constants.values, duty, late)
        duty = value
        if late < tick:
            advance(x, constants.values, duty, tick - late)
    assert np.isfinite(x[DRUM_V])
    moved = course[lead:]
    away = np.abs(moved - target) > BAND * abs(target - start)
    last = int(np.nonzero(away)[0][-1]) + 1 if away.any() else 0
    settled = last * tick if last < len(moved) else float("nan")
    way = 1.0 if target > start else -1.0
    over = max(float((way * (moved - target)).max()), 0.0)
    return settled, over, abs(float(moved[-round(0.1 / tick) :].mean()) - target), report.fault


def judge(joint, settings, parts, warmth_C, step_rad=None):
    """Steps both ways on all parts: settling (s), overshoot (rad), error (rad), faults; shape (2 parts,) each."""
    ends = step_ends(joint.settings) if step_rad is None else step_ends(joint.settings, step_rad)
    plain = settings_of(joint, settings)
    rows = [stepped(plain, part, warm, one, joint.delay_s, seed)
            for seed, (part, warm) in enumerate(zip(parts, warmth_C, strict=True))
            for one in (ends, ends[::-1])]  # fmt: skip
    return tuple(np.array(one) for one in zip(*rows, strict=True))
