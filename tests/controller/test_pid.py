from itertools import pairwise

import numpy as np
import pytest

from controller.joint import pid
from controller.joint.settings.settings import Gains
from controller.joint.state import Loop, Motion

H = 0.002


def gains_of(**values):
    g = Gains()
    g.kp = g.ki = g.kd = 0.0
    for name, value in values.items():
        setattr(g, name, value)
    return g


def wanting(position=0.0, speed=0.0, acceleration=0.0):
    motion = Motion()
    motion.setpoint_rad, motion.setpoint_rad_s, motion.setpoint_rad_s2 = (
        position,
        speed,
        acceleration,
    )
    return motion


def at(angle):
    loop = Loop()
    pid.reset(loop, angle)
    return loop


@pytest.mark.parametrize("angle", [-2.0, 0.4, 1.3])
@pytest.mark.parametrize(
    "weight",
    [
        1.0,
        0.7,
    ],
)
def test_the_first_tick_after_a_reset_has_no_kick(angle, weight):
    g = gains_of(kp=30.0, ki=200.0, kd=5.0, setpoint_weight=weight, friction_feed_V=1.0)
    loop = at(angle)
    assert pid.demand(g, loop, wanting(angle), angle, H) == 0.0


def test_a_measured_angle_far_from_the_last_one_does_not_kick_at_the_start():
    loop = at(0.0)
    assert pid.demand(gains_of(kd=5.0), loop, wanting(3.0), 3.0, H) == 0.0


@pytest.mark.parametrize(
    ("changes", "motion", "angle", "expected"),
    [
        ({"kp": 10.0}, wanting(1.0), 0.4, 6.0),
        ({"kp": 10.0, "setpoint_weight": 0.5}, wanting(1.0), 0.4, 3.0),
        ({"kd": 2.0, "rate_weight": 1.0}, wanting(0.4, 3.0), 0.4, 6.0),
        ({"kd": 2.0, "rate_weight": 0.5}, wanting(0.4, 3.0), 0.4, 3.0),
        ({"kd": 2.0}, wanting(0.4, 3.0), 0.4, 0.0),
        ({"speed_feed": 0.4}, wanting(0.4, -3.0), 0.4, -1.2),
        ({"acceleration_feed": 0.01}, wanting(0.4, 0.0, 50.0), 0.4, 0.5),
        ({"friction_feed_V": 0.6}, wanting(0.4, 0.15), 0.4, 0.3),
        ({"friction_feed_V": 0.6}, wanting(0.4, 2.0), 0.4, 0.6),
        ({"friction_feed_V": 0.6}, wanting(0.4, -2.0), 0.4, -0.6),
        ({"breakaway_feed_V": 0.8, "rest_out_rad": 0.01}, wanting(0.005), 0.0, 0.0),
        ({"breakaway_feed_V": 0.8, "rest_out_rad": 0.01}, wanting(0.015), 0.0, 0.4),
        ({"breakaway_feed_V": 0.8, "rest_out_rad": 0.01}, wanting(-0.5), 0.0, -0.8),
    ],
)
def test_each_term_is_what_its_formula_says(changes, motion, angle, expected):
    assert pid.demand(gains_of(**changes), at(angle), motion, angle, H) == pytest.approx(expected)


@pytest.mark.parametrize("lag", [0.0, 0.007, 0.1])
def test_the_derivative_is_a_backward_difference_of_a_first_order_filter(lag):
    g = gains_of(kd=1.5, derivative_filter_s=lag)
    angles = np.cumsum(np.random.default_rng(2).normal(0.0, 0.01, 100))
    loop = at(float(angles[0]))
    pid.demand(g, loop, wanting(), float(angles[0]), H)
    speed = 0.0
    for before, now in pairwise(angles):
        speed = (lag * speed + now - before) / (lag + H)
        u = pid.demand(g, loop, wanting(float(now)), float(now), H)
        assert u == pytest.approx(-1.5 * speed, rel=1e-9, abs=1e-12)


def test_the_integral_is_that_of_the_error():
    g = gains_of(ki=40.0, kp=3.0)
    loop = at(0.0)
    total = 0.0
    for error in np.random.default_rng(4).uniform(-0.2, 0.2, 50):
        u = pid.demand(g, loop, wanting(float(error)), 0.0, H)
        pid.settle(g, loop, u, H)
        total += 40.0 * error * H
        assert loop.integral_V == pytest.approx(total, abs=1e-12)


@pytest.mark.parametrize("applied", [0.0, 5.0, -5.0])
def test_without_integral_gain_the_integral_is_inert(applied):
    g = gains_of(kp=10.0, tracking_s=1e-4)
    loop = at(0.0)
    for _ in range(20):
        pid.demand(g, loop, wanting(1.0), 0.0, H)
        pid.settle(g, loop, applied, H)
        assert loop.integral_V == 0.0


@pytest.mark.parametrize("sign", [1, -1])
def test_the_integral_keeps_within_its_bound(sign):
    g = gains_of(ki=1000.0, integral_limit_V=1.25)
    loop = at(0.0)
    for _ in range(500):
        u = pid.demand(g, loop, wanting(sign * 1.0), 0.0, H)
        pid.settle(g, loop, u, H)
        assert abs(loop.integral_V) <= 1.25
    assert loop.integral_V == sign * 1.25


@pytest.mark.parametrize("tracking", [0.02, 0.05, 0.5])
def test_in_saturation_the_integral_goes_to_what_was_applied(tracking):
    """Steady state of the tracking: u - applied = ki * e * Tt."""
    g = gains_of(kp=10.0, ki=50.0, tracking_s=tracking)
    loop = at(0.0)
    for _ in range(round(20 * tracking / H)):
        u = pid.demand(g, loop, wanting(1.0), 0.0, H)
        pid.settle(g, loop, min(u, 5.0), H)
    assert u - 5.0 == pytest.approx(50.0 * 1.0 * tracking, rel=1e-3)


@pytest.mark.parametrize("length", [50, 500, 5000])
def test_after_saturation_the_output_leaves_the_limit_at_once(length):
    """However long it saturated: in the first tick in which the error has changed sign."""
    g = gains_of(kp=20.0, ki=100.0, tracking_s=0.02)
    loop = at(0.0)
    for _ in range(length):
        pid.settle(g, loop, min(pid.demand(g, loop, wanting(1.0), 0.0, H), 5.0), H)
    assert pid.demand(g, loop, wanting(1.0), 1.01, H) < 5.0


def resting_gains():
    return gains_of(kp=10.0, ki=30.0, kd=0.5, rest_in_rad=0.010, rest_out_rad=0.015)


def hold(g, loop, error, ticks, speed=0.0):
    for _ in range(ticks):
        u = pid.demand(g, loop, wanting(error, speed), 0.0, H)
        pid.settle(g, loop, u, H)
    return u


@pytest.mark.parametrize("sign", [1, -1])
def test_the_loop_rests_below_and_wakes_above_with_hysteresis(sign):
    g, loop = resting_gains(), at(0.0)
    seen = []
    for error in (0.02, 0.012, 0.008, 0.012, 0.014, 0.016, 0.012, 0.009):
        hold(g, loop, sign * error, 600)
        seen.append(loop.resting)
    assert seen == [0, 0, 1, 1, 1, 0, 0, 1]


def test_a_resting_loop_takes_the_calm_error_and_keeps_its_integral():
    g, loop = resting_gains(), at(0.0)
    hold(g, loop, 0.005, 600)
    stood = loop.integral_V
    assert loop.resting == 1
    u = hold(g, loop, 0.005 + 0.004, 1)  # noise
    assert loop.integral_V == stood
    assert u == pytest.approx(10.0 * loop.calm_rad + stood)
    assert abs(loop.calm_rad - 0.005) < 0.004 * H / 0.05 + 1e-6


@pytest.mark.parametrize(("error", "speed"), [(0.005, 0.1), (0.07, 0.0)])
def test_a_moving_setpoint_or_a_large_error_wakes_it_at_once(error, speed):
    g, loop = resting_gains(), at(0.0)
    hold(g, loop, 0.005, 600)
    hold(g, loop, error, 1, speed)
    assert loop.resting == 0


def test_without_a_dead_band_it_never_rests():
    loop = at(0.0)
    hold(gains_of(kp=10.0, ki=1.0), loop, 0.0, 50)
    assert loop.resting == 0


@pytest.mark.parametrize(
    ("error", "factor"),
    [(0.0, 0.5), (0.05, 0.5), (-0.1, 0.5), (0.15, 0.75), (-0.15, 0.75), (0.2, 1.0), (3.0, 1.0)],
)
def test_the_gain_schedule_fades_from_near_to_far(error, factor):
    g = gains_of(kp=8.0, near_rad=0.1, near_factor=0.5)
    assert pid.scheduled_kp(g, error) == pytest.approx(8.0 * factor)
    assert pid.scheduled_kp(gains_of(kp=8.0, near_factor=0.5), error) == 8.0


@pytest.mark.parametrize("parallel", [(20.0, 50.0, 0.4), (5.0, 0.0, 0.0), (8.0, 1.0, 0.0)])
def test_standard_and_parallel_form_are_one_to_one(parallel):
    assert pid.parallel_form(*pid.standard_form(*parallel)) == pytest.approx(parallel)


def test_standard_form_of_a_worked_case():
    assert pid.standard_form(20.0, 50.0, 0.4) == pytest.approx((20.0, 0.4, 0.02))
    assert pid.standard_form(0.0, 0.0, 0.0) == (0.0, 0.0, 0.0)
