"""Everything of one joint that moves.

What goes into a tick and what comes out of it stands in ``inout.py``. A copy of
``State`` taken between ticks continues bit-equal when put back.
"""

from controller.joint.inout import Command, Readings, Report
from controller.records import Record, integer, part, real, table

__all__ = ["Command", "Readings", "Report", "State"]


class Sensed(Record):
    """Stage 2."""

    angle_rad = real(0.0, "rad")
    "Joint angle; continuous travel counts it from the base turn."
    speed_rad_s = real(0.0, "rad/s")
    across_rad_s = real(0.0, "rad/s")
    "What the drum turns beside, because joints that its cables cross do move."
    moved_rad = real(0.0, "rad")
    "Change of angle in this tick."
    base_turn = integer(0, "turn")
    "Whole turns folded away so that angles stay small (continuous travel)."
    last_counts = integer(-1, "count")
    same_ticks = integer(0, "tick")
    odd_ticks = integer(0, "tick")
    "Successive implausible readings."
    rail = integer(0)
    "1 when this tick's implausible reading was at a rail."
    blind_s = real(0.0, "s")
    off_rad = real(0.0, "rad")
    "Behind the gap: what the last reading was off from the carried angle."
    off_known = integer(0)
    put_right_rad = real(0.0, "rad")
    "Correction of the carried angle in this tick: no motion."
    started = integer(0)


class Motion(Record):
    """Stage 4: where the joint should be now, and the plan it follows."""

    setpoint_rad = real(0.0, "rad")
    setpoint_rad_s = real(0.0, "rad/s")
    setpoint_rad_s2 = real(0.0, "rad/s^2")
    across_rad_s = real(0.0, "rad/s")
    "What the drum must turn beside, because joints that its cables cross are to move."
    across_rad_s2 = real(0.0, "rad/s^2")
    source = integer(0)
    "0 hold, 1 planned move, 2 streamed setpoints, 3 stop."
    target_rad = real(0.0, "rad")
    target_turn = integer(0, "turn")
    "Continuous travel: the target is this whole turn plus target_rad."
    segment = integer(7)
    "Segment of the plan being followed; 7 when the plan has ended."
    segment_left_s = real(0.0, "s")
    duration_s = table(7, "s")
    jerk_rad_s3 = table(7, "rad/s^3")
    planning = integer(0)
    "Ticks of planning still to go."
    next_rad = real(0.0, "rad")
    "Target that waits for planning."
    next_turn = integer(0, "turn")
    waiting = integer(0)
    "1 while a target waits for planning."
    stream_s = real(0.0, "s")
    "Streaming: time since the last setpoint was taken."
    span_s = real(0.0, "s")
    "Streaming: time between setpoints."
    from_rad = real(0.0, "rad")
    from_rad_s = real(0.0, "rad/s")
    to_rad = real(0.0, "rad")
    to_rad_s = real(0.0, "rad/s")


class Plan(Record):
    """The move being planned (``profile.py``): start, limits and bracket."""

    sign = real(1.0)
    speed = real(0.0, "rad/s")
    acceleration = real(0.0, "rad/s^2")
    jerk = real(0.0, "rad/s^3")
    goal = real(0.0, "rad")
    start_v = real(0.0, "rad/s")
    start_a = real(0.0, "rad/s^2")
    v = real(0.0, "rad/s")
    a = real(0.0, "rad/s^2")
    p = real(0.0, "rad")
    low_s = real(0.0, "s")
    high_s = real(0.0, "s")
    low_gap = real(0.0, "rad")
    high_gap = real(0.0, "rad")
    best_s = real(0.0, "s")
    best_gap = real(0.0, "rad")
    gap = real(0.0, "rad")
    "How far beyond the goal a stop ends that begins where the phases tried so far have led."
    phase = integer(0)
    found = integer(0)
    "1 once it is known in which phase the cut lies."
    t1 = real(0.0, "s")
    t2 = real(0.0, "s")
    t3 = real(0.0, "s")
    cruise_s = real(0.0, "s")
    j1 = real(0.0, "rad/s^3")
    j3 = real(0.0, "rad/s^3")


class Loop(Record):
    """Stages 5 and 8."""

    integral_V = real(0.0, "V")
    derivative_rad_s = real(0.0, "rad/s")
    "Filtered speed that the derivative term takes."
    last_rad = real(0.0, "rad")
    started = integer(0)
    resting = integer(0)
    "1 while the integral rests inside its dead band."
    error_rad = real(0.0, "rad")
    calm_rad = real(0.0, "rad")
    "Low-passed error, by which the integral rests or wakes."
    origin_rad = real(0.0, "rad")
    "Angle at which the loop was started: the setpoint weight acts on moves from here."
    demand_V = real(0.0, "V")


class Allowed(Record):
    """Stage 6."""

    last_V = real(0.0, "V")
    low_V = real(0.0, "V")
    high_V = real(0.0, "V")
    "Window of the force limit and the supply in this tick."
    current_A = real(0.0, "A")
    "Estimated winding current."
    bits = integer(0)
    "One bit for each limit that bound in this tick."
    winding_C = real(25.0, "degC")
    case_C = real(25.0, "degC")
    heat_J = real(0.0, "J")
    "Heat put into the winding since the thermal model was advanced."
    heat_s = real(0.0, "s")
    supply_low_ticks = integer(0, "tick")


class Evidence(Record):
    """Fault watch."""

    model_rad_s = real(0.0, "rad/s")
    drive_sign = real(0.0)
    slack_rad = real(0.0, "rad")
    "Expected motion that may still go into backlash and stretch."
    slack_sign = real(0.0)
    "Direction in which the slack was last taken up."
    expected_rad = real(0.0, "rad")
    seen_rad = real(0.0, "rad")
    still_s = real(0.0, "s")
    slow_s = real(0.0, "s")
    wrong_rad = real(0.0, "rad")
    over_ticks = integer(0, "tick")
    fast_ticks = integer(0, "tick")
    far_s = real(0.0, "s")
    late_sixteenths = integer(0)
    push_V = real(0.0, "V")
    "Low-passed voltage of the drive: which way it has been pushing of late."


class Mode(Record):
    """Stages 3 and 7."""

    mode = integer(0)
    fault = integer(0)
    "Latched fault number; 0 none."
    next_fault = integer(0)
    "Fault that will be latched when a controlled stop has ended; 0 none."
    elapsed_s = real(0.0, "s")
    "Time in the present phase of checking or stopping."
    phase = integer(0)
    from_rad = real(0.0, "rad")
    stroke_sign = real(0.0)
    "Direction of the self-test's first stroke."
    push_sign = real(0.0)
    "Direction in which the drive last pushed; 0 not known. A release goes back from it."
    open_V = real(0.0, "V")
    "Voltage of the self-test or the release, in which the loop is open."
    reset = integer(0)
    "1 in the tick in which trajectory and loop must start anew."
    grip = integer(0)


class Output(Record):
    """Stage 10: the output latch of the drive."""

    value = real(0.0)
    left_s = real(0.0, "s")
    "Pulse drive: time until the next frame."
    latched_V = real(0.0, "V")
    "Voltage that the latched output stands for."


class State(Record):
    """All that moves in one joint."""

    sensed = part(Sensed)
    motion = part(Motion)
    plan = part(Plan)
    loop = part(Loop)
    allowed = part(Allowed)
    evidence = part(Evidence)
    mode = part(Mode)
    output = part(Output)
