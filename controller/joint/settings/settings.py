"""Every tunable of one joint: unit, range, default and meaning.

Constants of a run stand here and moving state stands in ``state.py``: settings
never change inside a tick. Angles are joint angles, voltages are averages over
one tick at the motor terminals. The host computes these values from the joint
file (``sim/joint/settings.py`` states each formula).
"""

from controller.joint.settings.safety_settings import Heat, Limits, Stopping, Watch
from controller.portable import const
from controller.records import Record, integer, part, real, table

LIMITED = const(0)
CONTINUOUS = const(1)

BRIDGE = const(0)
PULSE = const(1)
BUILTIN = const(2)

CORRECTION_POINTS = const(33)


class Sensor(Record):
    """Counts to angle and speed."""

    travel = integer(0, "1", 0, 1)
    "0 limited travel, 1 continuous travel over the seam of the sensor."
    counts_top = integer(4095, "count", 15, 1048575)
    "Highest reading: (2**bits - 1) times the oversampling."
    zero_counts = real(0.0, "count", -4.0e6, 4.0e6)
    "Reading at joint angle zero (it may lie outside the converter)."
    rad_per_count = real(1.0e-3, "rad/count", -0.5, 0.5)
    "Joint angle per count, sign included."
    rail_low_counts = integer(0, "count", 0, 1048575)
    "Readings below mean a broken or shorted wire, or the dead gap."
    rail_high_counts = integer(4095, "count", 0, 1048575)
    "Readings above mean a broken or shorted wire, or the dead gap."
    bad_ticks = integer(3, "tick", 1, 1000)
    "Successive implausible readings that trip."
    jump_rad = real(0.2, "rad", 0.0, 10.0)
    "Largest believable change of angle in one tick."
    held_ticks = integer(0, "tick", 0, 1000000)
    "Successive identical readings that trip; 0 turns the watch off."
    speed_filter_s = real(0.005, "s", 0.0, 1.0)
    "Time constant of the speed estimate; 0 is the plain difference."
    correction_points = integer(0, "1", 0, 33)
    "Points of the linearity table in use; 0 means a straight line."
    correction_rad = table(CORRECTION_POINTS, "rad", -1.0, 1.0)
    "Added to the straight-line angle, at equal steps of counts from 0 to counts_top."
    gap_rad = real(0.0, "rad", 0.0, 3.0)
    "Continuous travel: width of the dead gap of one sensor turn."
    gap_from_rad = real(0.0, "rad", -7.0, 7.0)
    "Continuous travel: where the dead gap begins, as an angle of the first turn."
    blind_limit_s = real(0.25, "s", 0.0, 10.0)
    "Continuous travel: longest time without a good reading."
    wipers = integer(1, "1", 1, 2)
    "Wipers fitted: 2 has a good track at every angle."
    second_zero_counts = real(0.0, "count", -4.0e6, 4.0e6)
    "Second wiper's reading at joint angle zero."
    blend_rad = real(0.2, "rad", 0.01, 1.5)
    "Two wipers: width over which a track fades out beside its gap."


class Profile(Record):
    """Jerk-limited motion."""

    speed_rad_s = real(7.0, "rad/s", 1.0e-3, 200.0)
    "Highest speed of a profiled move."
    acceleration_rad_s2 = real(100.0, "rad/s^2", 1.0e-2, 1.0e5)
    "Highest acceleration of a profiled move."
    jerk_rad_s3 = real(3500.0, "rad/s^3", 1.0e-1, 1.0e8)
    "Highest jerk of a profiled move."
    plan_ticks = integer(1, "tick", 1, 50)
    "Ticks over which the planning of a move is spread."
    stream_hold_s = real(0.1, "s", 0.0, 5.0)
    "Streaming: longest extrapolation of a missing setpoint before stopping."


class Gains(Record):
    """Two-degree-of-freedom PID, feed-forward and friction compensation."""

    kp = real(20.0, "V/rad", 0.0, 1000.0)
    "Proportional gain."
    ki = real(0.0, "V/(rad*s)", 0.0, 50000.0)
    "Integral gain; 0 makes the integral inert."
    kd = real(0.2, "V*s/rad", 0.0, 100.0)
    "Derivative gain."
    setpoint_weight = real(1.0, "1", 0.0, 2.0)
    "Weight b of the setpoint in the proportional term."
    rate_weight = real(0.0, "1", 0.0, 2.0)
    "Weight c of the wanted speed in the derivative term."
    derivative_filter_s = real(0.007, "s", 0.0, 1.0)
    "Time constant Tf of the derivative's first-order filter."
    tracking_s = real(0.05, "s", 1.0e-4, 100.0)
    "Time constant Tt with which the integral follows the voltage really applied."
    integral_limit_V = real(1.0e3, "V", 0.0, 1.0e3)
    "Largest integral: without it, tracking a saturated step loads it the other way."
    speed_feed = real(0.0, "V*s/rad", 0.0, 50.0)
    "Feed-forward kv on the wanted speed."
    acceleration_feed = real(0.0, "V*s^2/rad", 0.0, 5.0)
    "Feed-forward ka on the wanted acceleration."
    friction_feed_V = real(0.0, "V", 0.0, 10.0)
    "Feed-forward kc against dry friction, in the direction of the wanted speed."
    friction_speed_rad_s = real(0.3, "rad/s", 1.0e-3, 50.0)
    "Speed over which the friction feed-forward fades in."
    breakaway_feed_V = real(0.0, "V", 0.0, 10.0)
    "Help against stiction, towards the setpoint: from rest_out_rad on, full at twice that."
    rest_in_rad = real(0.0, "rad", 0.0, 1.0)
    "The loop rests once the low-passed error is below; 0 never rests."
    rest_out_rad = real(0.0, "rad", 0.0, 1.0)
    "A resting loop wakes when the low-passed error is above (at least rest_in_rad)."
    rest_filter_s = real(0.05, "s", 0.0, 5.0)
    "Time constant of the low-pass by which rest and waking are decided."
    near_rad = real(0.0, "rad", 0.0, 3.0)
    "Gain schedule: errors below this use near_factor; 0 turns it off."
    near_factor = real(1.0, "1", 0.1, 4.0)
    "Gain schedule: factor on kp for small errors, fading to 1 at 2*near_rad."


class Drive(Record):
    """From allowed voltage to duty or pulse width."""

    kind = integer(0, "1", 0, 2)
    "0 PWM bridge, 1 pulse to the motor's own small board, 2 the motor's own loop (simulated only)."
    sign = integer(1, "1", -1, 1)
    "Direction of the drive: 1, or -1 when the motor is wired the other way."
    frame_s = real(0.02, "s", 1.0e-3, 1.0)
    "Pulse drive: time between pulses; the output is latched once a frame."
    neutral_s = real(0.0015, "s", 0.0005, 0.0025)
    "Pulse drive: calibrated width at which the motor stands still."
    dead_s = real(5.0e-6, "s", 0.0, 2.0e-4)
    "Pulse drive: half width of the dead band around neutral."
    full_s = real(1.5e-4, "s", 1.0e-5, 1.0e-3)
    "Pulse drive: distance from neutral that gives full voltage."


class Across(Record):
    """Up to three joints of the same board that this joint's cables cross."""

    joint_1 = integer(-1, "1", -1, 15)
    "Place of the joint on the board; -1 none."
    joint_2 = integer(-1, "1", -1, 15)
    "The same."
    joint_3 = integer(-1, "1", -1, 15)
    "The same."
    share_1 = real(0.0, "1", -10.0, 10.0)
    "Moment arm of this joint's cable there over its own."
    share_2 = real(0.0, "1", -10.0, 10.0)
    "The same."
    share_3 = real(0.0, "1", -10.0, 10.0)
    "The same."


class Settings(Record):
    """All tunables of one joint."""

    tick_s = real(0.002, "s", 1.0e-4, 0.1)
    "Tick period."
    sensor = part(Sensor)
    profile = part(Profile)
    gains = part(Gains)
    limits = part(Limits)
    heat = part(Heat)
    watch = part(Watch)
    stopping = part(Stopping)
    drive = part(Drive)
    across = part(Across)
