"""Tunables of one joint that keep it safe: limits, heat, fault watch, stops."""

from controller.records import Record, integer, real


class Limits(Record):
    """From fingertip to voltage: what the drive may do."""

    current_A = real(0.5, "A", 0.0, 50.0)
    "Winding current that gives the fingertip force limit."
    grip_current_A = real(0.35, "A", 0.0, 50.0)
    "The same while gripping (command ``grip``): what may be held for long."
    check_current_A = real(0.35, "A", 0.0, 50.0)
    "The same during the arming self-test."
    current_fitted = integer(0, "1", 0, 1)
    "1 where a current sensor is fitted: its reading replaces the estimate."
    resistance_ohm = real(6.86, "ohm", 1.0e-3, 1.0e4)
    "Winding (coldest, the pessimistic end) plus driver resistance."
    back_emf_V_s = real(0.393, "V*s/rad", 1.0e-6, 100.0)
    "Back-EMF per joint speed."
    supply_low_V = real(0.0, "V", 0.0, 100.0)
    "Measured supply below which the drive trips; 0 turns the watch off."
    supply_ticks = integer(10, "tick", 1, 10000)
    "Successive low readings of the supply that trip."
    full_duty = real(1.0, "1", 0.05, 1.0)
    "Largest duty of the bridge."
    newton_per_A = real(6.0, "N/A", 0.0, 1.0e4)
    "Fingertip force per winding current, for the force that is shown."
    loss_A = real(0.06, "A", 0.0, 50.0)
    "Current that dry friction takes before anything is felt at the fingertip."
    slew_V_s = real(4000.0, "V/s", 0.0, 1.0e7)
    "Fastest change of the voltage; 0 sets no bound."
    speed_rad_s = real(10.0, "rad/s", 1.0e-3, 500.0)
    "Highest joint speed."
    grip_speed_rad_s = real(1.0, "rad/s", 1.0e-3, 500.0)
    "Highest joint speed while gripping."
    speed_gain_V_s = real(0.5, "V*s/rad", 0.0, 100.0)
    "How hard the speed limit pulls back: voltage per joint speed beyond it."
    friction_V = real(0.8, "V", 0.0, 50.0)
    "What dry friction takes, granted to the speed limit."
    travel_low_rad = real(-10.0, "rad", -1.0e4, 1.0e4)
    "Soft end of travel, low side."
    travel_high_rad = real(10.0, "rad", -1.0e4, 1.0e4)
    "Soft end of travel, high side."
    command_low_rad = real(-10.0, "rad", -1.0e4, 1.0e4)
    "Lowest angle that may be commanded."
    command_high_rad = real(10.0, "rad", -1.0e4, 1.0e4)
    "Highest angle that may be commanded."
    brake_rad_s2 = real(100.0, "rad/s^2", 0.1, 1.0e5)
    "Deceleration counted on when braking before a soft end."


class Heat(Record):
    """Two-node thermal model: winding and case."""

    resistance_25_ohm = real(6.26, "ohm", 0.0, 1.0e4)
    "Winding resistance at 25 degC; 0 turns the model off."
    driver_ohm = real(0.6, "ohm", 0.0, 1.0e4)
    "Resistance in series that does not heat the winding."
    winding_J_K = real(0.35, "J/K", 1.0e-4, 1.0e4)
    "Heat capacity of the winding."
    case_J_K = real(5.0, "J/K", 1.0e-3, 1.0e5)
    "Heat capacity of the case."
    winding_K_W = real(25.0, "K/W", 1.0e-3, 1.0e4)
    "Thermal resistance from winding to case."
    case_K_W = real(45.0, "K/W", 1.0e-3, 1.0e4)
    "Thermal resistance from case to air."
    air_C = real(25.0, "degC", -40.0, 90.0)
    "Air temperature assumed."
    warm_C = real(85.0, "degC", 0.0, 300.0)
    "Winding temperature at which the current limit begins to fall."
    hot_C = real(110.0, "degC", 0.0, 300.0)
    "Winding temperature at which the current limit is zero and the drive trips."


class Watch(Record):
    """Fault watch: thresholds of what drive, angle, supply and time can show."""

    friction_V = real(2.0, "V", 0.0, 50.0)
    "Voltage below which even the stiffest part need not move."
    spring_V = real(0.0, "V", 0.0, 50.0)
    "What a return spring takes of it in the closing direction."
    emf_V_s = real(0.4, "V*s/rad", 1.0e-6, 100.0)
    "Back-EMF per joint speed of the expectation model."
    lag_s = real(0.035, "s", 1.0e-4, 10.0)
    "Mechanical time constant of the expectation model."
    window_s = real(0.06, "s", 1.0e-3, 10.0)
    "Leaky window over which expected and seen motion are compared."
    lost_rad = real(0.0, "rad", 0.0, 3.0)
    "Motion expected after the drive turns round that may go into backlash and cable stretch."
    least_rad = real(0.02, "rad", 1.0e-5, 3.0)
    "Expected motion below this is no evidence."
    still_ratio = real(0.15, "1", 0.0, 1.0)
    "Seen over expected motion below this counts as no motion."
    still_s = real(0.025, "s", 0.0, 10.0)
    "Time without motion that trips; 0 turns the watch off."
    slow_ratio = real(0.45, "1", 0.0, 1.0)
    "Seen over expected motion below this counts as blocked."
    slow_s = real(0.06, "s", 0.0, 10.0)
    "Blocked time that trips; 0 turns the watch off."
    wrong_rad = real(0.0873, "rad", 0.0, 7.0)
    "Motion against the drive that trips; 0 turns the watch off."
    over_travel_rad = real(0.14, "rad", 0.0, 7.0)
    "Angle beyond a soft end that trips; 0 turns the watch off."
    over_travel_ticks = integer(3, "tick", 1, 1000)
    "Successive ticks of over-travel that trip."
    over_speed_rad_s = real(20.0, "rad/s", 0.0, 1000.0)
    "Joint speed that trips; 0 turns the watch off."
    over_speed_ticks = integer(3, "tick", 1, 1000)
    "Successive ticks of over-speed that trip."
    following_rad = real(0.0, "rad", 0.0, 100.0)
    "Following error that trips; 0 turns the watch off."
    following_s = real(0.5, "s", 0.0, 100.0)
    "Time for which the following error must last."
    link_silence_s = real(0.08, "s", 0.005, 0.1000001)  # 0.1 rounded to single precision is inside
    "Time without a valid frame that trips whatever is driven."
    late_ticks = integer(50, "tick", 0, 100000)
    "Late ticks that trip: each counts one up, each tick in time 1/16 down; 0 turns it off."


class Stopping(Record):
    """Arming self-test, controlled stop and release."""

    check_V = real(0.0, "V", 0.0, 50.0)
    "Self-test: voltage at which its ramp ends and is held; 0 arms without the test."
    check_s = real(0.4, "s", 1.0e-3, 10.0)
    "Self-test: longest time of each of its two strokes."
    check_rad = real(0.035, "rad", 1.0e-4, 1.0)
    "Self-test: motion that must be seen, the right way."
    deadline_s = real(0.3, "s", 0.0, 10.0)
    "Controlled stop: longest time before the drive is off."
    release_V = real(2.0, "V", 0.0, 50.0)
    "Release: voltage of the reverse move; 0 goes off without one."
    release_s = real(0.08, "s", 0.0, 5.0)
    "Release: longest time of the reverse move."
    release_rad = real(0.2, "rad", 0.0, 3.0)
    "Release: reverse motion after which it ends."
