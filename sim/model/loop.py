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

    from controller.joint.settings.settings import Settings
    from controller.joint.state import Allowed, Command, Output, Readings, Report, State
    from sim.joint.part import Part, Plant, Sense
    from sim.model.schedule import Event, Run, Score

COLUMNS = 16


def keep_row(trace: "Any", row: int, t: float, x: "Plant", report: "Report") -> None:
    """Write one row of the trace (columns: closed_loop.TRACE_COLUMNS)."""
    trace[row, 0] = t
    trace[row, 1] = report.setpoint_rad
    trace[row, 2] = report.angle_rad
    trace[row, 3] = x.joint_rad
    trace[row, 4] = report.speed_rad_s
    trace[row, 5] = report.demand_V
    trace[row, 6] = report.allowed_V
    trace[row, 7] = x.current_A
    trace[row, 8] = x.flexor_N
    trace[row, 9] = x.extensor_N
    trace[row, 10] = x.tip_N
    trace[row, 11] = x.winding_C
    trace[row, 12] = x.bus_V
    trace[row, 13] = report.mode
    trace[row, 14] = report.fault
    trace[row, 15] = report.limits


def read_in(
    settings: "Settings",
    p: "Part",
    x: "Plant",
    s: "Sense",
    readings: "Readings",
    run: "Run",
    steps: int,
) -> None:
    """Stage 1: read converter, supply and link age into ``readings``."""
    h = settings.tick_s * steps
    readings.counts = sensor.read(p.sensor, s, x.joint_rad, h)
    if settings.sensor.wipers == 2:
        readings.second_counts = sensor.read_second(p.sensor, s, x.joint_rad)
    readings.supply_V = x.bus_V
    readings.current_A = x.current_A
    readings.steps = steps
    run.silent_s = run.silent_s + h if run.silent == 1 else 0.0
    readings.link_age_s = run.silent_s


def run_plant(
    p: "Part", x: "Plant", run: "Run", value: float, setpoint_rad: float, tick_s: float
) -> None:
    """One tick of plant: the old drive while computing, then the new one."""
    h = tick_s / run.substeps
    if run.delay > 0:
        plant.run_substeps(p, x, run.duty, run.delay, h)
    run.duty = drive_duty(p, x, run, value, setpoint_rad, tick_s)
    if run.delay < run.substeps:
        plant.run_substeps(p, x, run.duty, run.substeps - run.delay, h)


def begin_tick(
    settings: "Settings",
    command: "Command",
    readings: "Readings",
    p: "Part",
    x: "Plant",
    s: "Sense",
    events: "list[Event]",
    run: "Run",
    score: "Score",
    tick: int,
) -> int:
    """Events and readings of a tick; return the steps elapsed, 0 for a missed tick."""
    count = len(events)
    while run.event < count and events[run.event].tick + run.shift <= tick:
        apply_event(p, x, s, command, run, score, events[run.event])
        run.event += 1
    run.steps += 1
    if run.missed > 0:
        run.missed -= 1
        return 0
    steps = run.steps
    run.steps = 0
    read_in(settings, p, x, s, readings, run, steps)
    return steps


def end_tick(
    settings: "Settings",
    allowed: "Allowed",
    output: "Output",
    report: "Report",
    p: "Part",
    x: "Plant",
    run: "Run",
    score: "Score",
    trace: "Any",
    tick: int,
) -> None:
    """Score, trace and plant of a tick, after the control tick."""
    if score.on == 1:
        scoring.score_step(score, x.joint_rad, report.setpoint_rad)
        scoring.score_drive(score, report.allowed_V)
    scoring.score_guard(score, allowed, report, output, x, tick)
    if run.trace_every > 0 and tick % run.trace_every == 0:
        keep_row(trace, tick // run.trace_every, tick * settings.tick_s, x, report)
    run_plant(p, x, run, output.value, report.setpoint_rad, settings.tick_s)
    score.mode = report.mode
    score.end_rad = x.joint_rad


def run_joint(
    settings: "Settings",
    state: "State",
    command: "Command",
    readings: "Readings",
    report: "Report",
    p: "Part",
    x: "Plant",
    s: "Sense",
    events: "list[Event]",
    run: "Run",
    score: "Score",
    trace: "Any",
) -> None:
    """Run one joint for ``run.ticks`` ticks through its schedule ``events``.

    Writes state, plant ``x``, sensor ``s``, ``score`` and rows of ``trace``.
    """
    for tick in range(run.ticks):
        if begin_tick(settings, command, readings, p, x, s, events, run, score, tick) > 0:
            joint_tick(settings, state, command, readings, report)
        end_tick(settings, state.allowed, state.output, report, p, x, run, score, trace, tick)


def run_many(
    settings: "Any",
    states: "Any",
    commands: "Any",
    readings: "Any",
    reports: "Any",
    parts: "Any",
    plants: "Any",
    senses: "Any",
    events: "Any",
    runs: "Any",
    scores: "Any",
    traces: "Any",
    first: int,
    last: int,
) -> None:
    """Run joints ``first`` to ``last`` - 1, each with its own records."""
    for k in range(first, last):
        run_joint(
            settings[k % len(settings)],
            states[k],
            commands[k],
            readings[k],
            reports[k],
            parts[k],
            plants[k],
            senses[k],
            events,
            runs[k],
            scores[k],
            traces[k % len(traces)],
        )
