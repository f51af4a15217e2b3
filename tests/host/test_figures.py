"""What the figures draw, against what they speak of: degrees by numpy's own conversion."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from host.commands.tune import SHOWN
from host.figures.excitation import excitation_figure
from host.figures.overlay import overlay_figure
from host.figures.run import trace_figure
from host.figures.size import size_figure
from host.figures.sweep import brief, shown, sweep_figure
from host.figures.tuning import quality_figure, step_band_figure
from sim.run.closed_loop import load_joint, simulate
from sim.run.scenarios import step
from sim.size.figures import size
from sim.size.sweep import COLUMNS, Axis

NOMINAL = Path(__file__).parents[1] / "data" / "nominal.toml"
TIME_S = np.linspace(0.0, 1.0, 11)


@pytest.fixture(scope="module")
def joint():
    return load_joint(NOMINAL)


def line(axis, label):
    """The line of that label: its x and y."""
    (found,) = [one for one in axis.get_lines() if one.get_label() == label]
    return found.get_xdata(), found.get_ydata()


def texts(axis):
    return [one.get_text() for one in axis.texts]


def test_a_tuning_s_distributions_are_in_the_units_of_its_table():
    keys = ("settling_2pct_s", "overshoot_rad", "steady_error_rad", "hunting_rad")
    table = {key: np.array([0.01, 0.03, 0.02]) * (k + 1) for k, key in enumerate(keys)}
    axes = quality_figure(SimpleNamespace(tables={"held_out": table}), 0.14).axes
    told = {key: (title, factor) for key, title, factor, _ in SHOWN}
    for k, (axis, key) in enumerate(zip(axes, keys, strict=True)):
        drawn, share = line(axis, "tuned, held-out parts")
        wanted = np.sort(table[key])
        wanted = np.degrees(wanted) if k else 1e3 * wanted
        assert drawn == pytest.approx(wanted, rel=1e-9), key
        assert share == pytest.approx([100 / 3, 200 / 3, 100])
        assert axis.get_xlabel() == told[key][0]
        assert drawn == pytest.approx(np.sort(table[key]) * told[key][1], rel=1e-9)
    assert axes[0].texts[0].xy[0] == pytest.approx(140.0)


def test_steps_of_many_parts_are_in_degrees():
    bands = {name: np.outer([0.9, 1.0, 1.1], TIME_S) for name in ("before", "tuned")}
    tuning = SimpleNamespace(step_rad=np.radians(60.0))
    first, after = step_band_figure(tuning, bands, TIME_S, 1.0).axes
    _, middle = line(first, "tuned: middle and 95 % of the held-out parts")
    assert middle == pytest.approx(np.degrees(TIME_S[TIME_S <= 0.5]))
    assert first.get_title(loc="left") == "Step of 60 deg, parts the search never met"
    assert after.get_ylim() == pytest.approx((-3.12, 3.12))  # 2.6 bands of 2 % of 60 deg


def test_a_run_is_drawn_in_degrees_newtons_and_volts(joint):
    trace = simulate(joint, step(0.5, 1.0, joint.settings.sensor.rad_per_count, 0.3, 0.2, "course"))
    axes = trace_figure(joint, trace).axes
    whole = axes[1]
    for label, name in (("measured", "angle_rad"), ("true", "joint_rad")):
        t, drawn = line(whole, label)
        assert t == pytest.approx(trace["time_s"])
        assert drawn == pytest.approx(np.degrees(trace[name]))
    assert line(axes[3], "flexing cable")[1] == pytest.approx(trace["flexor_N"])
    assert line(axes[5], "allowed")[1] == pytest.approx(trace["allowed_V"])


def test_a_step_s_error_is_drawn_in_degrees(joint):
    trace = simulate(joint, step(0.5, 1.0, joint.settings.sensor.rad_per_count, 0.3, 0.2))
    error = trace_figure(joint, trace).axes[1].get_lines()[1].get_ydata()
    driven = trace["mode"] != 0
    away = np.degrees(trace["joint_rad"] - trace["setpoint_rad"])
    assert error[driven] == pytest.approx(away[driven])


def test_the_size_figure_says_what_the_size_says(joint):
    mine = size(joint)
    force, cable, speed, angle, held, _ = size_figure(joint, mine).axes
    rows = np.array(mine.force_over_range_N)
    x, y = line(force, "at the force limit")
    assert x == pytest.approx(np.degrees(rows[:, 0]))
    assert y == pytest.approx(rows[:, 1])
    pulls = (
        mine.cable_impact_N,
        mine.cable_at_stall_N,
        mine.cable_at_limit_N,
        mine.cable_pretension_N,
    )
    assert [one.get_width() for one in cable.patches] == pytest.approx(pulls)
    assert texts(cable) == [f"{pull:.0f} N" for pull in pulls]
    x, y = line(speed, "full supply")
    assert x[-1] == pytest.approx(np.degrees(mine.no_load_speed_rad_s))
    assert y[0] == pytest.approx(mine.stall_force_N, rel=0.01)
    assert y[-1] == pytest.approx(0.0, abs=0.02 * y[0])
    blurs = (mine.linearity_error_rad, mine.loading_error_rad, mine.backlash_rad, mine.angle_effective_rad,
             mine.noise_rad, mine.angle_per_count_rad)  # fmt: skip
    assert texts(angle) == [f"{np.degrees(blur):.2f} deg" for blur in blurs]
    assert line(held, "continuously")[0] == pytest.approx([mine.hold_continuously_N] * 2)


def test_a_recording_over_its_simulation_is_in_degrees():
    names = ("setpoint", "simulated", "measured", "drive", "simulated_drive")
    rows = {name: TIME_S * (k + 1) for k, name in enumerate(names)}
    course, apart, drive = overlay_figure("one", TIME_S, rows).axes
    for name, label in (
        ("setpoint", "setpoint"),
        ("simulated", "simulated"),
        ("measured", "recorded"),
    ):
        assert line(course, label)[1] == pytest.approx(np.degrees(rows[name]))
    assert line(apart, "as identified")[1] == pytest.approx(
        np.degrees(rows["measured"] - rows["simulated"])
    )
    assert line(drive, "recorded")[1] == pytest.approx(rows["drive"])


def test_an_excitation_is_drawn_with_its_limits(joint):
    plan = SimpleNamespace(
        time_s=TIME_S, angle_rad=TIME_S, speed_rad_s=2 * TIME_S, pieces=(("slow", 0.0),)
    )
    way, speed = excitation_figure([joint], [plan]).axes
    limits = joint.settings.limits
    low, high, drawn = [one.get_ydata() for one in way.get_lines()[:3]]
    assert [low[0], high[0]] == pytest.approx(
        np.degrees([limits.command_low_rad, limits.command_high_rad])
    )
    assert drawn == pytest.approx(np.degrees(TIME_S))
    assert speed.get_lines()[0].get_ydata() == pytest.approx(np.degrees(2 * TIME_S))
    assert line(speed, "limits")[1][0] == pytest.approx(np.degrees(limits.speed_rad_s))


def test_variants_are_drawn_in_what_people_read():
    axis = Axis("cable.joint_radius", ("4 mm", "6 mm", "8 mm"))
    points = [(value,) for value in axis.values]
    values = np.array([[1.0, 0.01], [2.0, 0.02], [3.0, 0.03]])
    names = ("no_load_speed_rad_s", "backlash_rad")
    plane = sweep_figure([axis], points, values, np.array([True, False, True]), names).axes[0]
    assert plane.get_xlabel() == "no load speed, deg/s"
    assert plane.get_ylabel() == "backlash, deg"
    assert np.asarray(plane.collections[0].get_offsets()) == pytest.approx(np.degrees(values))
    assert line(plane, "nothing else is better in both")[0] == pytest.approx(np.degrees([1.0, 3.0]))
    assert not [name for name in COLUMNS if "rad" in shown(name)[0].split()]
    assert shown("cable_at_stall_N") == ("cable at stall, N", 1.0)
    assert brief("5.33333333 mm, 6 mm, 1:298, 0.000125 s") == "5.333 mm, 6 mm, 1:298, 0.000125 s"
