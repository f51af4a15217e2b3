"""What happens to a joint in a simulated run: events at ticks, and the score.

A schedule is a list of events in order of ticks. The same schedule drives the
readable run, the compiled batch and the search for a breach.
"""

from controller.portable import const
from controller.records import Record, integer, real, table

# Event.kind                    a                    b                c
TARGET = const(1)  #            angle rad
STREAM = const(2)  #            angle rad            speed rad/s      span s
REQUEST = const(3)  #           supervisor request
LOAD = const(4)  #              torque N*m
OBJECT = const(5)  #            at angle rad         N*m/rad          N*m*s/rad
NO_OBJECT = const(6)
DROP = const(7)  #              supply drop V
OTHERS = const(8)  #            current A
SENSOR = const(9)  #            sim.model.sensor fault
CUT = const(10)  #              0 flexor, 1 extensor
MOTOR_OPEN = const(11)  #       1 open, 0 sound
WIRED_WRONG = const(12)  #      1 swapped, 0 right
LATE = const(13)  #             ticks missed
SILENT = const(14)  #           1 link silent, 0 speaks
GRIP = const(15)  #             angle rad (a grip towards it)
MEASURE = const(16)  #          target rad           band rad         fine band rad
TAIL = const(17)  #             (hunting is measured from here on)
PLACE = const(18)  #            angle rad (the joint is put there, at rest)
HOLD = const(19)
TURN_TARGET = const(20)  #      angle rad            whole turn

# What only a running virtual board can be told (message MEDDLE):
STALL = const(100)  #          time s (the board's loop stands still)
RAISE = const(101)  #           (an error in the next tick)
MOVE_BY_HAND = const(102)  #    angle rad (the joint is moved there, as by hand)

LIMIT_BITS = const(7)


class Event(Record):
    """One thing that happens at the beginning of a tick."""

    tick = integer(0, "tick")
    kind = integer(0)
    a = real(0.0)
    b = real(0.0)
    c = real(0.0)


class Score(Record):
    """What is counted while a schedule runs (definitions: ``metrics.py``)."""

    on = integer(0)
    "1 once a step is being measured."
    ticks = integer(0, "tick")
    "Ticks since the measurement began."
    target_rad = real(0.0, "rad")
    start_rad = real(0.0, "rad")
    band_rad = real(0.0, "rad")
    fine_rad = real(0.0, "rad")
    out_ticks = integer(0, "tick")
    "Tick after the last one outside band_rad."
    fine_out_ticks = integer(0, "tick")
    overshoot_rad = real(0.0, "rad")
    tail = integer(0)
    tail_ticks = integer(0, "tick")
    tail_low_rad = real(0.0, "rad")
    tail_high_rad = real(0.0, "rad")
    tail_sum_rad = real(0.0, "rad")
    noise_sum_V2 = real(0.0, "V^2")
    "Sum of squared changes of the applied voltage in the tail."
    track_sum_rad2 = real(0.0, "rad^2")
    "Sum of squares of wanted less true angle since the measurement began."
    reversals = integer(0)
    "Changes of sign of the applied voltage since the measurement began."
    last_sign = integer(0)
    last_V = real(0.0, "V")
    low_rad = real(1.0e9, "rad")
    "Lowest true angle of the run."
    high_rad = real(-1.0e9, "rad")
    peak_speed_rad_s = real(0.0, "rad/s")
    peak_current_A = real(0.0, "A")
    hottest_C = real(0.0, "degC")
    limit_ticks = table(LIMIT_BITS, "tick")
    "Ticks in which each limit bound, by bit."
    outside_window = integer(0, "tick")
    "Ticks in which the drive lay outside the window of the limits."
    driven_off = integer(0, "tick")
    "Ticks in which a joint that was off had a drive."
    not_finite = integer(0, "tick")
    relit = integer(0, "tick")
    "Ticks in which a tripped joint was driven without having been cleared."
    kicks = integer(0, "tick")
    "First powered ticks with a drive."
    last_mode = integer(0)
    fault = integer(0)
    fault_tick = integer(-1, "tick")
    "Tick of the first trip; -1 none."
    mode = integer(0)
    end_rad = real(0.0, "rad")


class Run(Record):
    """How a run is carried out."""

    ticks = integer(0, "tick")
    substeps = integer(20, "1")
    "Plant substeps in a tick."
    delay = integer(20, "1")
    "Substeps from the reading to the new drive (computing time)."
    trace_every = integer(0, "tick")
    "Ticks between rows of the trace; 0 keeps none."
    shift = integer(0, "tick")
    "Ticks by which this joint's schedule starts later (phase of a pulse frame)."
    event = integer(0)
    "Next event."
    missed = integer(0, "tick")
    "Ticks still to be missed."
    steps = integer(0, "tick")
    "Ticks since the last control tick."
    silent_s = real(0.0, "s")
    silent = integer(0)
    duty = real(0.0)
    pulse_s = real(0.0, "s")
    "Pulse drive: width of the pulse now valid; 0 none."
    frame_left_s = real(0.0, "s")
    "Motor's own amplifier: time to its next frame."
    on_left_s = real(0.0, "s")
    amplifier_duty = real(0.0)
