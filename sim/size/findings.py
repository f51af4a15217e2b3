"""What limits a joint, and what to change: sentences from the figures of ``figures.py``."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sim.joint.part import DIRECT
from sim.joint.physics import RULE_HZ
from sim.size import reference_limits
from sim.size.force import is_force_calibrated
from sim.units import DEG

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint
    from sim.size.figures import Size


@dataclass(frozen=True)
class Finding:
    """One sentence on what limits, and what to change. weight: good, note or warning."""

    weight: str
    text: str


def findings(joint: "Joint", mine: "Size") -> list[Finding]:
    """Say what limits the joint, and what to change."""
    return [
        *_force_findings(joint, mine),
        *_cable_findings(joint, mine),
        *_sensor_findings(joint, mine),
        *_loop_findings(joint, mine),
        *_people_findings(joint, mine),
    ]


def _people_findings(joint: "Joint", mine: "Size") -> list[Finding]:
    """Reference figures for people near it (``reference_limits.py``): warnings, never compliance."""
    rows = []
    strongest = max(mine.tip_impact_N / 2.0, joint.file.limits.tip_force)
    if strongest > reference_limits.HAND_FORCE_N:
        rows.append(
            Finding(
                "warning",
                (
                    f"The fingertip can press with {strongest:.0f} N (half of a blow counted); "
                    f"ISO/TS 15066:2016 gives {reference_limits.HAND_FORCE_N:.0f} N for hands and fingers (read second-hand; "
                    "no conformity is claimed). Lower the force limit, and keep people away from it."
                ),
            )
        )
    area = reference_limits.sharpest_area_mm2(joint.file.limits.tip_force)
    rows.append(
        Finding(
            "warning" if area > 100.0 else "note",
            (
                f"Touching less than {area:.1f} mm^2, the force limit is above the pressure that "
                f"ISO/TS 15066:2016 gives for a forefinger's pad ({reference_limits.FINGER_PRESSURE_N_CM2:.0f} "
                "N/cm^2, read second-hand): round every edge. No conformity is claimed."
            ),
        )
    )
    case = reference_limits.hottest_case_C(joint.part)
    if case > reference_limits.TOUCH_SHORT_C:
        rows.append(
            Finding(
                "warning",
                (
                    f"Held for long, the motor's case gets {case:.0f} degC; above "
                    f"{reference_limits.TOUCH_SHORT_C:.0f} degC it must not be touched even for seconds "
                    "(IEC 60601-1:2005, table 23, plastic, read second-hand; no conformity is claimed). Lower limits.warm."
                ),
            )
        )
    return rows


def _force_findings(joint: "Joint", mine: "Size") -> list[Finding]:
    rows = []
    wanted = joint.file.limits.tip_force
    direct = joint.part.cable.kind == DIRECT
    low, middle, high = mine.force_at_limit_N
    if mine.stall_force_N < wanted:
        rows.append(
            Finding(
                "warning",
                (
                    f"The motor cannot reach the force limit: stalled at full supply it presses with "
                    f"{mine.stall_force_N:.1f} N, the limit is {wanted:.1f} N. Use a larger drum at the "
                    "joint, a smaller one at the motor, a stronger motor or a shorter finger."
                ),
            )
        )
    limits = joint.settings.limits
    if limits.resistance_ohm * limits.current_A < joint.settings.watch.friction_V:
        rows.append(
            Finding(
                "warning",
                (
                    "At this force limit the stiffest parts of the spread cannot move themselves: the limit "
                    f"allows {limits.resistance_ohm * limits.current_A:.1f} V at standstill, they may need "
                    f"{joint.settings.watch.friction_V:.1f} V. Reduce friction, or raise the limit."
                ),
            )
        )
    narrows = (
        "" if is_force_calibrated(joint.file) else " Calibrating this joint's force narrows it."
    )
    spread = 50.0 * (high - low) / middle if middle > 0.0 else 100.0
    rows.append(
        Finding(
            "note",
            (
                f"Without a force sensor the force limit is an estimate: over the part spread it holds "
                f"{low:.1f} to {high:.1f} N (+-{spread:.0f} %).{narrows}"
            ),
        )
    )
    if mine.modes.above(wanted):
        rows.append(
            Finding(
                "warning",
                (
                    f"Arming tests the joint with up to {mine.modes.self_test_N:.1f} N if something is in "
                    f"its way, above the limit of {wanted:.1f} N: it takes that to move the stiffest part. "
                    "Arm with the finger free, reduce friction, or set limits.self_test = false."
                ),
            )
        )
    if mine.contact_N[1] > 1.2 * wanted:
        rows.append(
            Finding(
                "warning",
                (
                    f"A move at full speed into something holds up to {mine.contact_N[1]:.1f} N afterwards, "
                    f"above the limit of {wanted:.1f} N: gear friction keeps what the rotor's energy "
                    f"{'pressed in' if direct else 'wound up'}. Approach slowly (command a grip) or lower the speed."
                ),
            )
        )
    elif mine.tip_impact_N > 1.2 * wanted:
        rows.append(
            Finding(
                "warning",
                (
                    f"Closing on something hard at full speed presses with {mine.tip_impact_N:.1f} N for "
                    f"a moment, above the limit of {wanted:.1f} N: the rotor's energy "
                    f"{'goes into it' if direct else 'winds up the cable'}. "
                    "Approach slowly (command a grip) or lower the speed."
                ),
            )
        )
    if mine.force_current_A > mine.hold_for_ever_A:
        time = {round(a, 3): t for a, _, t in mine.hold_s}.get(round(mine.force_current_A, 3))
        until = f"for {time:.0f} s from cold" if time else "for more than an hour"
        rows.append(
            Finding(
                "note",
                (
                    f"The force limit can be held {until} in full, until the winding has "
                    f"{joint.settings.heat.warm_C:.0f} degC and the limit is lowered; "
                    f"{mine.hold_continuously_N:.1f} N ({mine.hold_for_ever_A:.2f} A) can be held continuously."
                ),
            )
        )
    return rows


def _cable_findings(joint: "Joint", mine: "Size") -> list[Finding]:
    rows: list[Finding] = []
    if joint.part.cable.kind == DIRECT:
        return rows
    strength = mine.cable_strength_N
    worst = max(mine.cable_impact_N, mine.cable_at_stall_N, mine.cable_contact_N)
    if strength is None:
        rows.append(
            Finding(
                "warning",
                (
                    f"The cable's breaking strength is not given; at worst it is pulled with {worst:.0f} N. "
                    "Give cable.breaking_strength, or material and diameter."
                ),
            )
        )
    elif worst * joint.file.cable.safety_factor > strength:
        rows.append(
            Finding(
                "warning",
                (
                    f"The cable is pulled with up to {worst:.0f} N; with a safety factor of "
                    f"{joint.file.cable.safety_factor:g} it should break only at "
                    f"{worst * joint.file.cable.safety_factor:.0f} N, not {strength:.0f} N. Use a stronger "
                    "cable, larger radii or a lower force."
                ),
            )
        )
    else:
        rows.append(
            Finding(
                "good",
                (
                    f"The cable breaks at {strength:.0f} N, {strength / worst:.1f} times the worst pull "
                    f"({worst:.0f} N)."
                ),
            )
        )
    ratios = [(ratio, where) for ratio, where in ((mine.bend_ratio_drum, "the motor's drum"),
              (mine.bend_ratio_joint, "the joint's pulley")) if ratio is not None]  # fmt: skip
    if ratios and mine.bend_suggested is not None and min(ratios)[0] < mine.bend_suggested:
        least = mine.bend_least or 0.0
        ratio, where = min(ratios)
        weight = "warning" if ratio < least else "note"
        rows.append(
            Finding(
                weight,
                (
                    f"At {where} the cable bends over {ratio:.0f} times its own diameter; suggested are "
                    f"{mine.bend_suggested:.0f}, at least {least:.0f}. It will wear: use a thinner or "
                    "softer cable, or larger pulleys."
                ),
            )
        )
    if mine.resonance_Hz < RULE_HZ:
        softer = (RULE_HZ / mine.resonance_Hz) ** 2
        rows.append(
            Finding(
                "warning",
                (
                    f"Phalanx and cable swing at {mine.resonance_Hz:.0f} Hz, below {RULE_HZ:.0f} Hz: the "
                    f"loop must be slowed down. A cable {softer:.1f} times as stiff (thicker, shorter), "
                    "a lighter phalanx or a larger pulley mends it."
                ),
            )
        )
    return rows


def _sensor_findings(joint: "Joint", mine: "Size") -> list[Finding]:
    rows = []
    if mine.linearity_error_rad > 1.0 * DEG:
        rows.append(
            Finding(
                "note",
                (
                    f"The potentiometer's linearity alone is worth +-{mine.linearity_error_rad / DEG:.1f} "
                    "deg of absolute angle; calibrate it against a protractor."
                ),
            )
        )
    if joint.file.sensor.pull_down is None:
        rows.append(
            Finding(
                "warning",
                (
                    "No pull-down at the wiper: a torn-off wire then floats, and the joint may run "
                    "blindly until something stops it. Fit 470 kohm to ground and state it "
                    "(sensor.pull_down)."
                ),
            )
        )
    elif joint.part.sensor.fall_s > 0.005:
        rows.append(
            Finding(
                "warning",
                (
                    f"The pull-down needs {joint.part.sensor.fall_s * 1e3:.0f} ms to empty the wiper's "
                    "capacitance; at most 5 ms catches a torn-off wire at once."
                ),
            )
        )
    if mine.noise_rad > 0.35 * DEG:
        rows.append(
            Finding(
                "note",
                (
                    f"Sensor noise is {mine.noise_rad / DEG:.2f} deg rms; more oversampling or a quieter "
                    "converter settles the joint more exactly."
                ),
            )
        )
    return rows


def _loop_findings(joint: "Joint", mine: "Size") -> list[Finding]:
    rows = []
    if joint.part.cable.kind == DIRECT and joint.file.motor.backlash > 0.0:
        rows.append(
            Finding(
                "note",
                "A direct coupling is simulated without the gear's backlash (motor.backlash): expect some "
                "more hunting on the bench.",
            )
        )
    share = mine.breakaway_V / joint.part.supply_V
    if share > 0.5:
        rows.append(
            Finding(
                "warning",
                (
                    f"The stiffest part of the spread needs {mine.breakaway_V:.1f} V to move at all, "
                    f"{100 * share:.0f} % of the supply. Less pretension, less wrap on guides, or a higher "
                    "voltage."
                ),
            )
        )
    if joint.file.drive.kind == "builtin":
        rows.append(
            Finding(
                "warning",
                (
                    "The motor's own closed loop cannot be limited or stopped from here; this kind of "
                    "drive can be simulated only."
                ),
            )
        )
    sag = joint.part.supply_V - mine.bus_at_stall_V
    if mine.bus_at_stall_V < joint.settings.limits.supply_low_V:
        rows.append(
            Finding(
                "warning",
                (
                    f"A stalled motor pulls the supply down by {sag:.1f} V, below the trip level: "
                    "thicker wires or a stronger supply."
                ),
            )
        )
    return rows
