"""What a choice of parts gives: six panels."""

from typing import Any

import numpy as np

from host.figures.look import EXTENSOR, FLEXOR, GOOD, LIMIT, MEASURED, SETPOINT, TRUE, pyplot
from sim.joint import physics
from sim.run.closed_loop import Joint
from sim.size.figures import Size
from sim.units import DEG


def size_figure(joint: Joint, mine: Size) -> Any:
    """Six panels: force, cable, speed, resolution, heat, loop."""
    plt = pyplot()
    figure, axes = plt.subplots(2, 3, figsize=(13.5, 7.2))
    figure.suptitle(
        f"What this choice of parts gives: {joint.file.joint.name}",
        x=0.01,
        ha="left",
        fontweight="bold",
    )
    _force_panel(axes[0, 0], joint, mine)
    _cable_panel(axes[0, 1], joint, mine)
    _speed_panel(axes[0, 2], joint, mine)
    _resolution_panel(axes[1, 0], mine)
    _hold_panel(axes[1, 1], joint, mine)
    _loop_panel(axes[1, 2], joint, mine)
    return figure


def _force_panel(ax: Any, joint: Joint, mine: Size) -> None:
    rows = np.array(mine.force_over_range_N)
    low, _, high = mine.force_at_limit_N
    ax.plot(rows[:, 0] / DEG, rows[:, 2], color=SETPOINT, ls="--", label="motor stalled")
    ax.plot(rows[:, 0] / DEG, rows[:, 1], color=TRUE, label="at the force limit")
    ax.axhspan(low, high, color=MEASURED, alpha=0.25, label="95 % of parts at the limit")
    ax.axhline(joint.file.limits.tip_force, color=LIMIT, ls=":", label="limit asked for")
    ax.set(
        title="Fingertip force over the range",
        xlabel="joint angle, deg",
        ylabel="force, N",
        ylim=(0, None),
    )
    ax.legend(fontsize=8, loc="lower left")


def _cable_panel(ax: Any, joint: Joint, mine: Size) -> None:
    names = ["pretension", "at the limit", "motor stalled", "impact, hard"]
    values = [
        mine.cable_pretension_N,
        mine.cable_at_limit_N,
        mine.cable_at_stall_N,
        mine.cable_impact_N,
    ]
    ax.barh(names[::-1], values[::-1], color=[LIMIT, SETPOINT, TRUE, FLEXOR], height=0.6)
    for k, value in enumerate(values[::-1]):
        ax.annotate(
            f"{value:.0f} N", (value, k), xytext=(4, 0), textcoords="offset points", va="center"
        )
    strength = mine.cable_strength_N
    if strength is not None:
        allowed = strength / joint.file.cable.safety_factor
        ax.axvline(allowed, color=LIMIT, ls=":", label=f"allowed, {allowed:.0f} N")
        ax.axvline(strength, color=LIMIT, label=f"breaks, {strength:.0f} N")
        ax.legend(fontsize=8, loc="lower right")
    ax.set(
        title="Cable tension", xlabel="tension, N", xlim=(0, max([*values, strength or 0]) * 1.12)
    )
    ax.grid(axis="y", visible=False)


def _speed_panel(ax: Any, joint: Joint, mine: Size) -> None:

    part = joint.part
    speeds = np.linspace(0.0, mine.no_load_speed_rad_s, 60)
    ohm = part.motor.resistance_25_ohm + part.motor.driver_ohm + part.supply_ohm
    turns = physics.drum_per_joint(part)
    emf = part.motor.emf_V_s * turns
    damping = part.motor.viscous_Nms * turns + part.hinge.viscous_Nms / turns
    drag = damping / ((1.0 - part.motor.load_loss) * part.motor.emf_V_s)
    amps = (part.supply_V - emf * speeds) / ohm - drag * speeds
    force = np.array([physics.tip_force_of_current(part, float(a)) for a in amps])
    ax.plot(speeds / DEG, force, color=TRUE, label="full supply")
    ax.axhline(mine.force_limit_N, color=LIMIT, ls=":", label="force limit")
    ax.axvline(joint.settings.limits.speed_rad_s / DEG, color=SETPOINT, ls=":", label="speed limit")
    ax.set(
        title="Force against speed",
        xlabel="joint speed, deg/s",
        ylabel="tip force, N",
        xlim=(0, None),
        ylim=(0, None),
    )
    ax.legend(fontsize=8)


def _resolution_panel(ax: Any, mine: Size) -> None:
    names = [
        "one count",
        "noise, rms",
        "one effective bit",
        "backlash",
        "pull-down, if not undone",
        "linearity, if not calibrated",
    ]
    values = (
        np.array(
            [
                mine.angle_per_count_rad,
                mine.noise_rad,
                mine.angle_effective_rad,
                mine.backlash_rad,
                mine.loading_error_rad,
                mine.linearity_error_rad,
            ]
        )
        / DEG
    )
    values = np.maximum(values, 1e-3)
    ax.barh(names[::-1], values[::-1], color=MEASURED, height=0.6)
    for k, value in enumerate(values[::-1]):
        ax.annotate(
            f"{value:.2f} deg", (value, k), xytext=(4, 0), textcoords="offset points", va="center"
        )
    ax.set_xscale("log")
    ax.set(
        title="Angle: what it resolves, what blurs it",
        xlabel="joint angle, deg",
        xlim=(min(values) * 0.5, max(values) * 5),
    )
    ax.grid(axis="y", visible=False)


def _hold_panel(ax: Any, joint: Joint, mine: Size) -> None:
    from sim.size.figures import stall_current, time_to_warm

    amps = np.linspace(mine.hold_for_ever_A, stall_current(joint.part), 24)
    rows = [
        (physics.tip_force_of_current(joint.part, float(a)), time_to_warm(joint.part, float(a)))
        for a in amps
    ]
    known = np.array([(f, t) for f, t in rows if t is not None])
    if len(known):
        ax.plot(
            known[:, 0], known[:, 1], color=TRUE, label="until the warm winding lowers the limit"
        )
        ax.set_yscale("log")
    ax.axvline(mine.hold_continuously_N, color=GOOD, ls="--", label="continuously")
    ax.axvline(mine.force_limit_N, color=LIMIT, ls=":", label="force limit")
    ax.set(
        title="How long a force can be held",
        xlabel="tip force, N",
        ylabel="time from cold, s",
        xlim=(0, None),
    )
    ax.legend(fontsize=8)


def _loop_panel(ax: Any, joint: Joint, mine: Size) -> None:
    from sim.tune import margins

    s = joint.settings
    w = margins.frequency_grid(s.tick_s)
    own = margins.controller_response(s.gains, s.tick_s)
    frame = joint.part.amplifier_frame_s if joint.part.amplifier != 0 else 0.0
    hold = margins.frame_hold(w, frame, s.tick_s)
    for rigid, colour, name in (
        (False, TRUE, "with the cable's spring"),
        (True, SETPOINT, "rigid"),
    ):
        loop = margins.plant_response(joint.part, s.tick_s, joint.delay_s, rigid) * own * hold
        ax.loglog(
            w / (2 * np.pi),
            np.abs(1.0 / (1.0 + loop)),
            color=colour,
            ls="-" if not rigid else "--",
            label=name,
        )
    ax.axhline(1.7, color=LIMIT, ls=":", label="bound on the peak, 1.7")
    if np.isfinite(mine.resonance_Hz):
        ax.axvline(
            mine.resonance_Hz,
            color=EXTENSOR,
            ls=":",
            label=f"cable resonance, {mine.resonance_Hz:.0f} Hz",
        )
    ax.set(
        title="Sensitivity of the loop",
        xlabel="frequency, Hz",
        ylabel="error over disturbance",
        ylim=(1e-2, 10),
    )
    ax.legend(fontsize=8, loc="lower right")
