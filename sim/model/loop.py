"""The closed loop: control tick, sensor and plant over time (one source).

Runs as plain Python on record objects, and compiled on NumPy records, with the
same bits. Order in tick k: events; reading; control tick; score; plant.
"""

from controller.joint.tick import joint_tick
from sim.model import plant, scoring, sensor
from sim.model.drive_electronics import drive_duty
from sim.model.events import apply_event

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

    from controller.joint.state import Report
    from sim.joint.part import Plant
    from sim.model.rig import Rig, Row
    from sim.model.schedule import Event


def keep_row(row: "Row", t: float, x: "Plant", report: "Report") -> None:
    """Write one row of the trace. Reads plant and report."""
    row.time_s = t
    row.setpoint_rad = report.setpoint_rad
    row.angle_rad = report.angle_rad
    row.joint_rad = x.joint_rad
    row.speed_rad_s = report.speed_rad_s
    row.demand_V = report.demand_V
    row.allowed_V = report.allowed_V
    row.current_A = x.current_A
    row.flexor_N = x.flexor_N
    row.extensor_N = x.extensor_N
    row.tip_N = x.tip_N
    row.winding_C = x.winding_C
    row.bus_V = x.bus_V
    row.mode = report.mode
    row.fault = report.fault
    row.limits = report.limits


def read_in(rig: "Rig", steps: int) -> None:
    """Stage 1: converter, supply and link age. Reads plant, sense; writes readings, run."""
    h = rig.settings.tick_s * steps
    readings, run = rig.readings, rig.run
    readings.counts = sensor.read(rig.part.sensor, rig.sense, rig.plant.joint_rad, h)
    if rig.settings.sensor.wipers == 2:
        readings.second_counts = sensor.read_second(rig.part.sensor, rig.sense, rig.plant.joint_rad)
    readings.supply_V = rig.plant.bus_V
    readings.current_A = rig.plant.current_A
    readings.steps = steps
    run.silent_s = run.silent_s + h if run.silent == 1 else 0.0
    readings.link_age_s = run.silent_s


def run_plant(rig: "Rig") -> None:
    """One tick of plant: the old drive while computing, then the new one. Writes plant, run."""
    p, x, run, tick_s = rig.part, rig.plant, rig.run, rig.settings.tick_s
    h = tick_s / run.substeps
    if run.delay > 0:
        plant.run_substeps(p, x, run.duty, run.delay, h)
    run.duty = drive_duty(p, x, run, rig.state.output.value, rig.report.setpoint_rad, tick_s)
    if run.delay < run.substeps:
        plant.run_substeps(p, x, run.duty, run.substeps - run.delay, h)


def begin_tick(rig: "Rig", events: "list[Event]", tick: int) -> int:
    """Events and readings of a tick; return the steps elapsed, 0 for a missed tick."""
    run = rig.run
    count = len(events)
    while run.event < count and events[run.event].tick + run.shift <= tick:
        apply_event(rig.part, rig.plant, rig.sense, rig.command, run, rig.score, events[run.event])
        run.event += 1
    run.steps += 1
    if run.missed > 0:
        run.missed -= 1
        return 0
    steps = run.steps
    run.steps = 0
    read_in(rig, steps)
    return steps


def control(rig: "Rig") -> None:
    """Stage 2: the controller's tick. Reads settings, readings; writes state, command, report."""
    joint_tick(rig.settings, rig.state, rig.command, rig.readings, rig.report)


def note(rig: "Rig", trace: "Any", tick: int) -> None:
    """Stage 3: score and trace of a tick, after the control tick. Writes score and trace."""
    score, x, report = rig.score, rig.plant, rig.report
    if score.on == 1:
        scoring.score_step(score, x.joint_rad, report.setpoint_rad)
        scoring.score_drive(score, report.allowed_V)
    scoring.score_guard(score, rig.state.allowed, report, rig.state.output, x, tick)
    every = rig.run.trace_every
    if every > 0 and tick % every == 0:
        keep_row(trace[tick // every], tick * rig.settings.tick_s, x, report)


def end_tick(rig: "Rig", trace: "Any", tick: int) -> None:
    """Score, trace and plant of a tick, after the control tick."""
    note(rig, trace, tick)
    run_plant(rig)
    rig.score.mode = rig.report.mode
    rig.score.end_rad = rig.plant.joint_rad


def run_joint(rig: "Rig", events: "list[Event]", trace: "Any") -> None:
    """Run one joint for ``run.ticks`` ticks through its schedule ``events``; rows into ``trace``."""
    for tick in range(rig.run.ticks):
        if begin_tick(rig, events, tick) > 0:
            control(rig)
        end_tick(rig, trace, tick)


def run_many(rigs: "Any", events: "Any", traces: "Any", first: int, last: int) -> None:
    """Run joints ``first`` to ``last`` - 1; traces: one each, or one that none is kept in."""
    for k in range(first, last):
        run_joint(rigs[k], events, traces[k % len(traces)])
