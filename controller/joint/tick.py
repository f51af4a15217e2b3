"""One joint's tick: the stages in order, and nothing else.

    2 sensor      counts to angle and speed
    3 supervisor  command, faults and what happened last tick to the mode
    4 trajectory  target to setpoint
    5 pid         setpoint to demanded voltage
    6 limits      demanded to allowed voltage
    7 supervisor  last gate
    8 pid         the integral follows what was really applied
    9 report      filled in place
    10 drive      allowed voltage to the output latch
Stage 1 (waiting for the tick, reading the converter) is the node's. The drive
is put out before the report is filled.
"""

from controller.joint import angles, drive, limits, modes, pid, sensor, supervisor, turning
from controller.joint.motion import trajectory

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.settings import Settings
    from controller.joint.state import Command, Readings, Report, State


def joint_tick(
    settings: "Settings",
    state: "State",
    command: "Command",
    readings: "Readings",
    report: "Report",
) -> float:
    """Run one control tick; writes ``state``, ``command``, ``report``.

    Returns the drive output: duty in [-1, 1], or pulse width in s (0 is none).
    """
    h = settings.tick_s * readings.steps
    take_in(settings, state, readings)
    supervisor.supervise(settings, state, command, readings, h)
    take_setpoint(settings, state, command)
    powered = modes.driven(state.mode.mode)
    applied = 0.0
    emf = limits.back_emf(settings.limits, state.allowed, state.sensed, readings.current_A)
    if powered:
        first = state.loop.started == 0
        u = demand(settings, state, readings.steps, h)
        u = allow(settings, state, u, readings.supply_V, emf, h)
        if first:  # no kick, not even by a limit that would brake a joint pushed from outside
            u = 0.0
        applied = supervisor.last_gate(state.mode, u)
        pid.settle(settings.gains, state.loop, applied, h)
    else:
        state.allowed.bits = 0
        state.loop.demand_V = 0.0
    drive.put_out(settings, state.output, applied, readings.supply_V, powered, h)
    if not powered:  # an open bridge carries no current, however the joint is moved
        emf = 0.0
    limits.account(settings, state.allowed, applied, emf, readings.current_A, h)
    fill(report, state, applied)
    return state.output.value


def take_in(settings: "Settings", state: "State", readings: "Readings") -> None:
    """Stage 2, and folding away whole turns where there are any."""
    counts = readings.counts
    second = readings.second_counts
    sensor.sense(settings.sensor, state.sensed, counts, second, readings.steps, settings.tick_s)
    state.loop.last_rad += state.sensed.put_right_rad
    folded = sensor.fold_turns(settings.sensor, state.sensed)
    if folded != 0:
        away = -angles.TURN_RAD * folded
        trajectory.shift(state.motion, away)
        state.loop.last_rad += away
        state.loop.origin_rad += away
        state.mode.from_rad += away


def take_setpoint(settings: "Settings", state: "State", command: "Command") -> None:
    """Stage 4's entry: start anew where the mode asks it, take a setpoint.

    The first powered tick takes none: it stands at the measured angle, drive zero.
    """
    fresh = state.mode.reset == 1
    if fresh:
        supervisor.start_anew(state)
        pid.reset(state.loop, state.sensed.angle_rad)
        limits.reset(state.allowed)
    if command.kind == 0:
        return
    if fresh or state.mode.mode != modes.POWERED:
        command.refused = 1
        command.kind = 0
        return
    grip = command.grip
    trajectory.take(settings, state.motion, state.sensed, command)
    if command.refused == 0:
        state.mode.grip = grip


def speed_limit(settings: "Settings", state: "State") -> float:
    """Speed limit in force (rad/s): lower while gripping."""
    if state.mode.grip == 1:
        return settings.limits.grip_speed_rad_s
    return settings.limits.speed_rad_s


def demand(settings: "Settings", state: "State", steps: int, h: float) -> float:
    """Stages 4 and 5: setpoint, then demanded voltage (V)."""
    m = state.mode
    motion = state.motion
    if m.mode == modes.STOPPING and motion.source != trajectory.HOLD:
        trajectory.hold_here(motion)
    most = speed_limit(settings, state)
    base = state.sensed.base_turn
    within = 1 if m.mode == modes.POWERED else 0
    trajectory.follow(settings, most, within, state.plan, motion, base, steps)
    if state.sensed.blind_s > 0.0:
        turning.carry_with(state.sensed, motion.setpoint_rad_s)
    u = pid.demand(settings.gains, state.loop, motion, state.sensed.angle_rad, h)
    return m.open_V if modes.open_loop(m) else u


def allow(
    settings: "Settings", state: "State", u: float, supply_V: float, emf: float, h: float
) -> float:
    """Stage 6: allowed voltage (V) by the limits of the mode."""
    amps = settings.limits.current_A
    weak = 0
    if modes.open_loop(state.mode):
        amps = settings.limits.check_current_A
        weak = limits.WEAK
    elif state.mode.grip == 1:  # a controlled stop keeps the limit of the move that it ends
        amps = settings.limits.grip_current_A
        weak = limits.WEAK
    most = speed_limit(settings, state)
    u = limits.allow(settings, state.allowed, u, state.sensed, supply_V, emf, amps, most, h)
    state.allowed.bits |= weak
    return u


def fill(report: "Report", state: "State", applied: float) -> None:
    """Stage 9: fill the report in place."""
    report.angle_rad = state.sensed.angle_rad
    report.speed_rad_s = state.sensed.speed_rad_s
    report.setpoint_rad = state.motion.setpoint_rad
    report.setpoint_rad_s = state.motion.setpoint_rad_s
    report.demand_V = state.loop.demand_V
    report.allowed_V = applied
    report.drive = state.output.value
    report.current_A = state.allowed.current_A
    report.winding_C = state.allowed.winding_C
    report.mode = state.mode.mode
    report.fault = state.mode.fault
    report.limits = state.allowed.bits
    report.turn = state.sensed.base_turn
