"""Stages 3 and 7: modes, what latches, and the last gate before the drive.

    off --arm--> checking --both strokes seen--> powered; --release--> stopping
    powered --controlled stop, release, fault of category 1--> stopping --> off or tripped
    any --fault of category 0, stop--> tripped --clear, cause gone--> off

``off`` and ``tripped`` mean a drive of exactly zero in the same tick. A
trip stays until it is cleared, and clearing never arms. ``checking`` is the
arming self-test: a low-force ramp in each direction that must move the joint
the right way. ``stopping`` ends by a deadline whatever happens; it may end in
a *release*, a short, weak move away from what the joint pressed on, because
gear friction keeps pressing when the drive is merely switched off; once after
it was driven, while it is known which way it pushed last.
"""

from controller.joint import faults, watch
from controller.joint.modes import (
    ARM,
    CHECKING,
    CLEAR,
    CONTROLLED_STOP,
    DRIVE_OFF,
    FIRST,
    OFF,
    POWERED,
    RELEASE,
    SECOND,
    STOP,
    STOPPING,
    TRIPPED,
    driven,
)
from controller.joint.motion import trajectory
from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from controller.joint.settings.safety_settings import Limits, Stopping
    from controller.joint.settings.settings import Settings
    from controller.joint.state import Command, Mode, Motion, Readings, State

RAMP_SHARE = const(0.6)  # of a stroke's time in which the voltage rises; then it is held


def enter(m: "Mode", mode: int, phase: int, angle: float) -> None:
    """Enter a mode at ``angle`` (rad); trajectory and loop start anew."""
    m.mode = mode
    m.phase = phase
    m.elapsed_s = 0.0
    m.from_rad = angle
    m.reset = 1
    m.open_V = 0.0


def trip(m: "Mode", fault: int) -> None:
    """Latch a fault: drive off from this tick on. The first cause stays."""
    if m.fault == faults.NONE:
        m.fault = fault
    m.mode = TRIPPED
    m.grip = 0
    m.open_V = 0.0


def end_stop(m: "Mode") -> None:
    """End a stop: off, and tripped where a fault was its cause."""
    if m.next_fault != faults.NONE:
        trip(m, m.next_fault)
    else:
        m.mode = OFF
        m.grip = 0
        m.open_V = 0.0


def start_stop(settings: "Settings", m: "Mode", fault: int, angle: float, release: bool) -> None:
    """Begin a stop of category 1, or its release at once."""
    m.next_fault = fault
    if release and settings.stopping.release_V <= 0.0:
        end_stop(m)
        return
    enter(m, STOPPING, SECOND if release else FIRST, angle)
    if not release:
        m.reset = 0


def answer_fault(settings: "Settings", m: "Mode", fault: int, angle: float) -> None:
    """Answer a fault seen in this tick by its stop category."""
    if faults.category(fault) == 0 or m.mode == CHECKING:
        trip(m, fault)
    elif m.mode == POWERED:
        pressed = fault == faults.BLOCKED or fault == faults.NO_MOTION
        start_stop(settings, m, fault, angle, pressed)
    elif m.next_fault == faults.NONE:
        m.next_fault = fault


def take_request(
    settings: "Settings", m: "Mode", command: "Command", cause: int, angle: float
) -> None:
    """Take one request; ``cause`` is the fault that stands now, if any."""
    request = command.request
    command.request = 0
    if request == STOP:
        trip(m, faults.STOP_PRESSED)
    elif request == DRIVE_OFF:
        if m.mode == STOPPING:
            end_stop(m)  # a fault that began the stop latches all the same
        elif m.mode != TRIPPED:
            m.mode = OFF
            m.grip = 0
    elif request == CLEAR:
        if m.mode == TRIPPED and cause == faults.NONE:
            m.mode = OFF
            m.fault = faults.NONE
            m.next_fault = faults.NONE
    elif request == ARM and m.mode == OFF:
        m.next_fault = faults.NONE
        m.push_sign = 0.0  # of an earlier run: no direction to release from
        if cause != faults.NONE:
            trip(m, cause)
        elif settings.stopping.check_V > 0.0:
            enter(m, CHECKING, FIRST, angle)
            m.stroke_sign = first_stroke(settings.limits, angle)
        else:
            enter(m, POWERED, FIRST, angle)
    elif request == RELEASE and cause == faults.NONE and may_release(m):
        start_stop(settings, m, faults.NONE, angle, True)
    elif request == CONTROLLED_STOP and m.mode == CHECKING:
        m.mode = OFF
    elif request == CONTROLLED_STOP and m.mode == POWERED:
        start_stop(settings, m, faults.NONE, angle, False)


def may_release(m: "Mode") -> bool:
    """Tell whether a release may begin: driven now, or off and it is known which way it pushed."""
    return m.mode == POWERED or (m.mode == OFF and m.push_sign != 0.0)


def first_stroke(limits: "Limits", angle: float) -> float:
    """Direction (+1 or -1) of the first stroke: away from the nearer end."""
    middle = 0.5 * (limits.travel_low_rad + limits.travel_high_rad)
    return -1.0 if angle > middle else 1.0


def check(s: "Stopping", m: "Mode", angle: float, h: float) -> None:
    """Run the self-test: ramp and hold, look for motion the right way, then back."""
    m.elapsed_s += h
    sign = m.stroke_sign if m.phase == FIRST else -m.stroke_sign
    if m.open_V * sign <= 0.25 * s.check_V and (angle - m.from_rad) * sign < 0.0:
        m.from_rad = angle  # still coasting from the stroke before: no answer to this one
    moved = (angle - m.from_rad) * sign
    if moved >= s.check_rad:
        if m.phase == FIRST:
            enter(m, CHECKING, SECOND, angle)
        else:
            enter(m, POWERED, FIRST, angle)
    elif moved <= -s.check_rad:
        trip(m, faults.REVERSED)
    elif m.elapsed_s >= s.check_s:
        trip(m, faults.CHECK_FAILED)
    else:
        share = m.elapsed_s / (RAMP_SHARE * s.check_s)
        m.open_V = sign * s.check_V * (share if share < 1.0 else 1.0)


def run_stop(s: "Stopping", m: "Mode", motion: "Motion", angle: float, h: float) -> None:
    """Run a controlled stop or a release to its end or deadline."""
    m.elapsed_s += h
    if m.phase == FIRST:
        if motion.source == trajectory.HOLD or m.elapsed_s >= s.deadline_s:
            end_stop(m)
        return
    back = (m.from_rad - angle) * m.push_sign
    if m.elapsed_s >= s.release_s or back >= s.release_rad or m.push_sign == 0.0:
        m.push_sign = 0.0  # one release a stop: more would walk the joint step by step
        end_stop(m)
    else:
        m.open_V = -m.push_sign * s.release_V


def start_anew(state: "State") -> None:
    """Reset trajectory, loop, limits and evidence at the measured angle."""
    angle = state.sensed.angle_rad
    trajectory.reset(state.motion, angle)
    state.mode.reset = 0
    watch.reset(state.evidence)


def find_fault(
    settings: "Settings", state: "State", readings: "Readings", cause: int, h: float
) -> int:
    """Fault to be answered in this tick: standing, of motion, of the link."""
    m = state.mode
    w = settings.watch
    if cause != faults.NONE:
        return cause
    if not readings.link_age_s <= w.link_silence_s:
        return faults.LINK_SILENT
    if m.mode == STOPPING:
        return watch.wrong_way_fault(w, state.evidence)
    if m.mode != POWERED:
        return faults.NONE
    found = watch.motion_fault(w, state.evidence, m.grip)
    if found == faults.NONE and m.grip == 0:
        found = watch.following_fault(w, state.evidence, state.loop.error_rad, h)
    return found


def supervise(
    settings: "Settings", state: "State", command: "Command", readings: "Readings", h: float
) -> None:
    """Stage 3: faults, requests and phases to the mode of this tick."""
    m = state.mode
    angle = state.sensed.angle_rad
    cause = watch.standing_fault(settings, state, readings)
    if command.request != 0:
        take_request(settings, m, command, cause, angle)
        if m.reset == 1:  # what the last run left behind is no evidence of this one
            watch.reset(state.evidence)
            state.loop.error_rad = 0.0
    if driven(m.mode):
        watch.gather(settings, state.evidence, state.sensed, state.output.latched_V, h)
        fault = find_fault(settings, state, readings, cause, h)
        if fault != faults.NONE:
            answer_fault(settings, m, fault, angle)
    if m.mode == CHECKING:
        check(settings.stopping, m, angle, h)
    elif m.mode == STOPPING:
        run_stop(settings.stopping, m, state.motion, angle, h)
    elif m.mode == POWERED:
        remember_push(settings, m, state.evidence.push_V)


def remember_push(settings: "Settings", m: "Mode", push: float) -> None:
    """Keep the direction of the last push, by the low-passed voltage (V).

    A weak push decides only where nothing is known; turning it round takes a strong one.
    """
    least = (0.1 if push * m.push_sign >= 0.0 else 0.5) * settings.limits.friction_V
    if push > least:
        m.push_sign = 1.0
    elif push < -least:
        m.push_sign = -1.0


def last_gate(m: "Mode", u: float) -> float:
    """Stage 7: zero in every mode without drive, whatever came before (V)."""
    return u if driven(m.mode) else 0.0
