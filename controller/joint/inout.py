"""What goes into a joint's tick and what comes out: command, readings, report."""

from controller.records import Record, integer, real


class Command(Record):
    """What is asked of the joint; a request is taken once and cleared."""

    request = integer(0)
    "0 none, 1 arm, 2 drive off, 3 stop, 4 clear, 5 release, 6 controlled stop."
    kind = integer(0)
    "New setpoint: 0 none, 1 move to target, 2 streamed, 3 hold here."
    target_rad = real(0.0, "rad")
    target_rad_s = real(0.0, "rad/s")
    "Streamed: speed at the setpoint."
    span_s = real(0.0, "s")
    "Streamed: time between setpoints."
    turn = integer(0, "turn")
    "Continuous travel: turn of the target, with way 1."
    way = integer(0)
    "Continuous travel: 0 the shortest way, 1 the absolute turn."
    grip = integer(0)
    "1: no motion against the drive is contact, not a fault; slow and weak."
    refused = integer(0)
    "Set by the joint: 1 when the last setpoint was refused, whole."


class Readings(Record):
    """What the board measured at the tick edge."""

    counts = integer(0, "count")
    second_counts = integer(0, "count")
    supply_V = real(5.0, "V")
    current_A = real(0.0, "A")
    "Winding current, where a sensor is fitted."
    steps = integer(1, "tick")
    "Tick periods since the last tick: more than 1 after a late tick."
    link_age_s = real(0.0, "s")
    "Time since the last valid frame."
    outside_fault = integer(0)
    "Fault found outside the joint (standstill, settings, watchdog); 0 none."


class Report(Record):
    """What one tick did, filled in place at its end."""

    angle_rad = real(0.0, "rad")
    speed_rad_s = real(0.0, "rad/s")
    setpoint_rad = real(0.0, "rad")
    setpoint_rad_s = real(0.0, "rad/s")
    demand_V = real(0.0, "V")
    allowed_V = real(0.0, "V")
    drive = real(0.0)
    "Bridge: duty in [-1, 1]. Pulse: width in seconds, 0 is no pulse."
    current_A = real(0.0, "A")
    winding_C = real(25.0, "degC")
    mode = integer(0)
    fault = integer(0)
    limits = integer(0)
    turn = integer(0, "turn")
