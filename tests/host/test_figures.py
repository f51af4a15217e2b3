"""What the figures draw, against what they speak of: degrees by numpy's own conversion."""

from collections import Counter
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from host.commands.tune import SHOWN
from host.figures.challenge import margins_figure
from host.figures.excitation import excitation_figure
from host.figures.faults import faults_figure
from host.figures.hand import budget_figure
from host.figures.identified import identified_figure
from host.figures.identify import axis_figure
from host.figures.overlay import overlay_figure
from host.figures.recording import recording_figure
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


def widths(axis):
    """Lengths of an axis' bars, by their labels (drawn twice: the last)."""
    names = [one.get_text() for one in axis.get_yticklabels()]
    return dict(zip(names, [one.get_width() for one in axis.patches[-len(names) :]], strict=True))


def test_faults_are_drawn_in_milliseconds_and_newtons(joint):
    rows = [
        SimpleNamespace(meaning="wiper torn off", seen_median_s=0.004, seen_worst_s=0.02, unseen_share=0.0,
                        peak_tension_N=12.0),
        SimpleNamespace(meaning="supply dips", seen_median_s=None, seen_worst_s=None, unseen_share=0.5,
                        peak_tension_N=7.0),
    ]  # fmt: skip
    study = SimpleNamespace(parts=9, rows=rows, watched_s=1.5, allowed_pull_N=60.0)
    times, pulls = faults_figure(joint, study).axes
    assert [one.get_width() for one in times.patches] == pytest.approx([0.0, 20.0, 0.0, 4.0])
    assert [one.get_text() for one in times.get_yticklabels()] == ["supply dips", "wiper torn off"]
    assert [one.get_width() for one in pulls.patches] == [7.0, 12.0]
    assert texts(times) == ["50.0 %: not in 1.5 s"]
    assert line(pulls, "allowed pull")[0] == [60.0, 60.0]


def test_the_nearest_to_each_limit_is_told_in_hundredths(joint):
    worst = {"tension": SimpleNamespace(share=0.42), "heat": SimpleNamespace(share=1.3)}
    found = SimpleNamespace(
        scenarios=3, runs=12, worst=worst, kinds=Counter(step=4), faults=Counter(stall=2, deaf=1)
    )
    limits, kinds, trips = margins_figure(joint, found).axes
    assert widths(limits) == pytest.approx({"winding": 130.0, "cable tension": 42.0})
    assert sorted(texts(limits)) == ["130 %", "42 %"]
    assert limits.get_xlim()[1] >= 130.0
    assert widths(kinds) == {"step": 4}
    assert widths(trips) == {"deaf": 1, "stall": 2}


def test_a_hand_s_angles_are_in_degrees_and_its_bars_say_their_length(joint):
    angles = np.outer([0.5, 1.0], TIME_S)
    run = SimpleNamespace(tick_s=0.1, bus_V=5.0 - TIME_S, supply_A=TIME_S, traces=np.zeros((2, 11, 1)),
                          column=lambda name: {"joint_rad": angles}[name])  # fmt: skip
    calm = SimpleNamespace(name="rest", peak_A=0.1, hottest_C=[20.0, 20.0])
    hard = SimpleNamespace(name="press", peak_A=1.0, hottest_C=[31.0, 40.0])
    members = [SimpleNamespace(name=name, joint=joint) for name in ("base", "end")]
    hand = SimpleNamespace(name="one", members=members, lowest_V=4.2, supply_V=5.0)
    board = SimpleNamespace(name="palm", tick_share=0.24, link_share=0.28)
    found = SimpleNamespace(sequences=[calm, hard], runs=[None, run], boards=[board])
    axes = budget_figure(hand, found).axes
    assert line(axes[0], "bus, V")[1] == pytest.approx(5.0 - TIME_S)
    for name, angle in zip(("base", "end"), angles, strict=True):
        t, drawn = line(axes[2], name)
        assert t == pytest.approx(TIME_S)
        assert drawn == pytest.approx(np.degrees(angle))
    assert widths(axes[3]) == pytest.approx({"base": 31.0, "end": 40.0})
    assert texts(axes[3]) == [" 31 degC", " 40 degC"]
    assert widths(axes[1]) == pytest.approx({"palm: tick": 24.0, "palm: link": 28.0})


@pytest.mark.parametrize(
    ("told", "axis_word", "factor"), [("rad", "angle, deg", 180 / np.pi), ("m", "way, mm", 1e3)]
)
def test_an_axis_is_drawn_in_what_people_read(told, axis_word, factor):
    log = SimpleNamespace(motion_unit=told, is_speed=False, drive_unit="V", step_s=0.1)
    windows = SimpleNamespace(measured=TIME_S, drive=2 * TIME_S)
    found = SimpleNamespace(windows=windows, course=0.9 * TIME_S)
    motion, drive, left = axis_figure("one", log, found, np.array([TIME_S, TIME_S])).axes
    assert motion.get_ylabel() == axis_word
    assert line(motion, "measured")[1] == pytest.approx(TIME_S * factor)
    assert line(motion, "model, run freely over each stretch")[1] == pytest.approx(
        0.9 * TIME_S * factor
    )
    assert drive.get_lines()[0].get_ydata() == pytest.approx(2 * TIME_S)
    assert left.get_lines()[0].get_ydata() == pytest.approx(0.1 * TIME_S * factor)


def test_what_was_identified_is_drawn_in_its_spread_s_deviations():
    axis = SimpleNamespace(name="gear_friction", deviation=2.0)
    fit = SimpleNamespace(spread=[SimpleNamespace(name="gear_friction", deviation=1.0)], axes=[axis], z=[0.5],
                          deviation=lambda name: 0.25)  # fmt: skip
    rows = {"measured": TIME_S, "simulated": 0.9 * TIME_S, "datasheet": 0.5 * TIME_S}
    numbers, course, left = identified_figure("one", fit, TIME_S, rows, None).axes
    _, found, middle = numbers.get_lines()
    assert found.get_xdata() == pytest.approx([1.0 - 1.96 * 0.5, 1.0 + 1.96 * 0.5])
    assert middle.get_xdata() == pytest.approx([1.0])
    assert line(course, "recorded")[1] == pytest.approx(np.degrees(TIME_S))
    assert line(left, "by datasheet")[1] == pytest.approx(np.degrees(0.5 * TIME_S))
    assert line(left, "as identified")[1] == pytest.approx(np.degrees(0.1 * TIME_S))


def test_a_recording_is_drawn_in_degrees_with_its_trip(joint):
    columns = {
        "mode": np.array([0] + [2] * 10), "setpoint_rad": TIME_S, "angle_rad": 0.9 * TIME_S, "allowed_V": 3 * TIME_S,
        "force_N": TIME_S, "fault": np.array([0] * 8 + [5] * 3),
    }  # fmt: skip

    class Recorded:
        about = {"virtual": True}
        table = np.zeros((11, 1))

        def __getitem__(self, name):
            return {"time_s": 7.0 + TIME_S}[name]

        def joint(self, _, name):
            return columns[name]

    angle, drive, force = recording_figure([joint], Recorded()).axes
    t, drawn = line(angle, "measured")
    assert t == pytest.approx(TIME_S)
    assert drawn == pytest.approx(np.degrees(0.9 * TIME_S))
    setpoint = line(angle, "setpoint")[1]
    assert np.isnan(setpoint[0])
    assert setpoint[1:] == pytest.approx(np.degrees(TIME_S[1:]))
    assert drive.get_lines()[0].get_ydata() == pytest.approx(3 * TIME_S)
    assert force.get_lines()[0].get_ydata() == pytest.approx(TIME_S)
    assert angle.get_lines()[-1].get_xdata() == pytest.approx([0.8, 0.8])
