"""From the joint file to the sensing settings: window, correction, watch on held readings."""

from math import ceil, pi

import numpy as np
import pytest

from controller.joint.reading import straight_angle
from sim.joint import settings as rules
from sim.joint.part import Sense
from sim.model.sensor import read

DEG = pi / 180.0


@pytest.mark.parametrize("sigma", [0.9, 2.0, 6.5, 30.0])
def test_two_readings_agree_by_chance_as_often_as_the_formula_says(sigma):
    rng = np.random.default_rng(3)
    one, two = (np.round(rng.normal(500.3, sigma, 400_000)) for _ in range(2))
    found = (one == two).mean() * 2.0 * sigma * pi**0.5
    assert 0.93 < found < 1.02  # for little noise the formula errs on the safe side


@pytest.mark.parametrize("rate", [100.0, 500.0, 10000.0])
@pytest.mark.parametrize("sigma", [0.9, 2.0, 6.5, 30.0])
def test_held_readings_are_a_false_alarm_less_than_once_in_a_million_hours(sigma, rate):
    def alarms(ticks):
        return 3600.0 * rate * (1.0 / (2.0 * sigma * pi**0.5)) ** ticks

    found = rules.held_ticks(sigma, rate)
    assert alarms(found) <= 1e-6 * (1 + 1e-9)
    assert found == 8 or alarms(found - 1) > 1e-6


def test_a_quiet_sensor_has_no_watch_on_held_readings():
    assert rules.held_ticks(0.79, 500.0) == 0
    assert rules.held_ticks(0.0, 500.0) == 0


@pytest.mark.parametrize("reversed_", [False, True])
@pytest.mark.parametrize("pull_down", ["470 kohm", "47 kohm", None])
def test_the_controller_undoes_loading_of_the_wiper(made, pull_down, reversed_):
    """Angles read through track, loading and converter come back to a count or two."""
    joint = made({"sensor.pull_down": pull_down, "sensor.reversed": reversed_})
    probe, s = joint.part.sensor, joint.settings.sensor
    probe.noise_counts = 0.0
    assert s.correction_points == (33 if pull_down else 0)
    for angle in np.linspace(-5.0, 105.0, 111) * DEG:
        counts = read(probe, Sense(), float(angle), 0.002)
        assert straight_angle(s, counts) == pytest.approx(angle, abs=2.0 * abs(s.rad_per_count))


def test_the_window_of_the_wiper_holds_all_the_travel_and_its_noise(joint):
    s, probe = joint.settings.sensor, joint.part.sensor
    hinge = joint.part.hinge
    for angle in (hinge.stop_low_rad, hinge.stop_high_rad):
        counts = read(probe, Sense(), angle, 0.002)
        assert s.rail_low_counts + 50 < counts < s.rail_high_counts - 50
    assert s.rail_low_counts == ceil(0.005 * 16380 + 4.0 * probe.noise_counts)
