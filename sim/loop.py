"""The closed loop: control tick, sensor and plant over time (one source).

Runs as plain Python on record objects, and compiled on NumPy records, with the
same bits. Order in tick k: events; reading; control tick; score; plant.
"""

from controller import joint
from controller.supervisor import driven
from sim import plant, program, sensor
from sim.board_drive import drive_duty

COLUMNS = 16


def set_outside(command, x, s, e):
    """Apply an event that acts on plant or sensor; tell whether it was one."""
    kind = e.kind
    if kind == program.LOAD:
        x.load_Nm = e.a
    elif kind == program.OBJECT:
        x.object_rad = e.a
        x.object_Nm_rad = e.b
        x.object_Nms = e.c
    elif kind == program.NO_OBJECT:
        x.object_rad = 1.0e9
    elif kind == program.DROP:
        x.supply_drop_V = e.a
    elif kind == program.OTHERS:
        x.others_A = e.a
    elif kind == program.SENSOR:
        s.fault = int(e.a)
        s.wander = 0.0
    elif kind == program.MOTOR_OPEN:
        x.motor_open = int(e.a)
    elif kind == program.WIRED_WRONG:
        x.wired_wrong = int(e.a)
    else:
        return False
    return True


def cut(c, which):
    """Cut a cable: 0 the flexor, 1 the extensor."""
    if which == 0:
        c.flexor_N_m = 0.0
    else:
        c.extensor_N_m = 0.0


def place(p, x, angle):
    """Put the joint at rest at ``angle`` (rad), the drum where it then stands."""
    c = p.cable
    path = c.joint_m * angle * (1.0 + 0.5 * c.arm_1 * angle + c.arm_2 * angle * angle / 3.0)
    x.joint_rad = angle
    x.joint_rad_s = 0.0
    x.drum_rad = path / c.drum_m
    x.drum_rad_s = 0.0


def set_command(command, run, e):
    """Apply an event that acts on command, link or clock."""
    kind = e.kind
    command.grip = 0
    if kind == program.REQUEST:
        command.request = int(e.a)
    elif kind == program.LATE:
        run.missed = int(e.a)
    elif kind == program.SILENT:
        run.silent = int(e.a)
    elif kind == program.HOLD:
        command.kind = 3
    else:
        command.kind = 2 if kind == program.STREAM else 1
        command.grip = 1 if kind == program.GRIP else 0
        command.target_rad = e.a
        command.target_rad_s = 0.0
        command.way = 0
        if kind == program.STREAM:
            command.target_rad_s = e.b
            command.span_s = e.c
        elif kind == program.TURN_TARGET:
            command.way = 1
            command.turn = int(e.b)


def apply_event(p, x, s, command, run, score, e):
    """Apply one event at the beginning of its tick."""
    if set_outside(command, x, s, e):
        return
    kind = e.kind
    if kind == program.CUT:
        cut(p.cable, int(e.a))
    elif kind == program.PLACE:
        place(p, x, e.a)
    elif kind == program.MEASURE:
        start_score(score, x.joint_rad, e)
    elif kind == program.TAIL:
        score.tail = 1
        score.tail_low_rad = x.joint_rad
        score.tail_high_rad = x.joint_rad
    else:
        set_command(command, run, e)


def start_score(score, angle, e):
    """Begin to measure a step from ``angle`` (rad) to the event's target."""
    score.on = 1
    score.ticks = 0
    score.target_rad = e.a
    score.band_rad = e.b
    score.fine_rad = e.c
    score.start_rad = angle
    score.overshoot_rad = 0.0
    score.out_ticks = 0
    score.fine_out_ticks = 0
    score.reversals = 0
    score.tail = 0
    score.tail_ticks = 0
    score.tail_sum_rad = 0.0
    score.noise_sum_V2 = 0.0
    score.track_sum_rad2 = 0.0


def score_step(score, q, want):
    """Account the measured step at true angle ``q``, wanted angle ``want`` (rad)."""
    score.ticks += 1
    score.track_sum_rad2 += (want - q) * (want - q)
    away = q - score.target_rad
    size = away if away >= 0.0 else -away
    if size > score.band_rad:
        score.out_ticks = score.ticks
    if size > score.fine_rad:
        score.fine_out_ticks = score.ticks
    beyond = away if score.target_rad >= score.start_rad else -away
    if beyond > score.overshoot_rad:
        score.overshoot_rad = beyond
    if score.tail == 1:
        score.tail_ticks += 1
        score.tail_sum_rad += away
        if q < score.tail_low_rad:
            score.tail_low_rad = q
        if q > score.tail_high_rad:
            score.tail_high_rad = q


def score_drive(score, u):
    """Account the applied voltage ``u`` (V): reversals, restlessness."""
    sign = 1 if u > 0.0 else (-1 if u < 0.0 else 0)
    if sign != 0 and sign != score.last_sign:
        if score.last_sign != 0:
            score.reversals += 1
        score.last_sign = sign
    if score.tail == 1:
        change = u - score.last_V
        score.noise_sum_V2 += change * change
    score.last_V = u


def score_guard(score, allowed, report, output, x, tick):
    """Account limits, peaks and the properties that must never break."""
    bits = report.limits
    if bits != 0:
        for k in range(program.LIMIT_BITS):
            if (bits >> k) & 1 == 1:
                score.limit_ticks[k] += 1.0
    u = report.allowed_V
    if not -1.0e6 < u < 1.0e6:
        score.not_finite += 1
    if driven(report.mode):
        if u > allowed.high_V or u < allowed.low_V:
            score.outside_window += 1
    elif u != 0.0 or output.value != 0.0:
        score.driven_off += 1
    if report.fault != 0 and score.fault_tick < 0:
        score.fault = report.fault
        score.fault_tick = tick
    q = x.joint_rad
    if q < score.low_rad:
        score.low_rad = q
    if q > score.high_rad:
        score.high_rad = q
    amps = x.current_A if x.current_A >= 0.0 else -x.current_A
    if amps > score.peak_current_A:
        score.peak_current_A = amps
    if x.winding_C > score.hottest_C:
        score.hottest_C = x.winding_C


def keep_row(trace, row, t, x, s, report):
    """Write one row of the trace (columns: closed_loop.TRACE_COLUMNS)."""
    trace[row, 0] = t
    trace[row, 1] = report.want_rad
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


def read_in(settings, p, x, s, readings, run, steps):
    """Stage 1: read converter, supply and link age into ``readings``."""
    h = settings.tick_s * steps
    readings.counts = sensor.read(p.probe, s, x.joint_rad, h)
    if settings.sensing.tracks == 2:
        readings.second_counts = sensor.read_second(p.probe, s, x.joint_rad)
    readings.supply_V = x.bus_V
    readings.current_A = x.current_A
    readings.steps = steps
    run.silent_s = run.silent_s + h if run.silent == 1 else 0.0
    readings.link_age_s = run.silent_s


def run_plant(p, x, run, value, want_rad, tick_s):
    """One tick of plant: the old drive while computing, then the new one."""
    h = tick_s / run.substeps
    if run.delay > 0:
        plant.run_substeps(p, x, run.duty, run.delay, h)
    run.duty = drive_duty(p, x, run, value, want_rad, tick_s)
    if run.delay < run.substeps:
        plant.run_substeps(p, x, run.duty, run.substeps - run.delay, h)


def begin_tick(settings, command, readings, p, x, s, events, run, score, tick):
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


def end_tick(settings, allowed, output, report, p, x, s, run, score, trace, tick):
    """Score, trace and plant of a tick, after the control tick."""
    if score.on == 1:
        score_step(score, x.joint_rad, report.want_rad)
        score_drive(score, report.allowed_V)
    score_guard(score, allowed, report, output, x, tick)
    if run.trace_every > 0 and tick % run.trace_every == 0:
        keep_row(trace, tick // run.trace_every, tick * settings.tick_s, x, s, report)
    run_plant(p, x, run, output.value, report.want_rad, settings.tick_s)
    score.mode = report.mode
    score.end_rad = x.joint_rad


def run_joint(settings, state, command, readings, report, p, x, s, events, run, score, trace):
    """Run one joint for ``run.ticks`` ticks through its program ``events``.

    Writes state, plant ``x``, sensor ``s``, ``score`` and rows of ``trace``.
    """
    for tick in range(run.ticks):
        if begin_tick(settings, command, readings, p, x, s, events, run, score, tick) > 0:
            joint.joint_tick(settings, state, command, readings, report)
        end_tick(
            settings, state.allowed, state.output, report, p, x, s, run, score, trace, tick
        )


def run_many(settings, states, commands, readings, reports, parts, plants, senses, events, runs,
             scores, traces, first, last):
    """Run joints ``first`` to ``last`` - 1, each with its own records."""
    for k in range(first, last):
        run_joint(
            settings[k % len(settings)], states[k], commands[k], readings[k], reports[k], parts[k],
            plants[k], senses[k], events, runs[k], scores[k], traces[k % len(traces)],
        )
