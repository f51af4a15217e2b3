"""Backlash, dead zone, saturation, dry friction: describing functions and limit cycles.

A. Gelb and W. E. Vander Velde, Multiple-Input Describing Functions and Nonlinear
System Design, 1968 (from memory; each formula is also checked by Fourier sums).
Half gap b, amplitude A, output over input of the first harmonic.
"""

import numpy as np
import pytest

from controller.joint import limits, pid
from controller.joint.settings.safety_settings import Limits
from controller.joint.settings.settings import Gains
from controller.joint.state import Allowed, Loop, Motion
from sim.joint.part import Plant
from sim.model import plant

SINE = np.sin(2.0 * np.pi * np.arange(20_000) / 20_000)
# Fourier sums of 20 000 points resolve a kink to (2 pi / 20000)^2 = 1e-7


def saturation(r):
    """Describing function of unit slope up to r = limit / amplitude."""
    return 2.0 / np.pi * (np.arcsin(r) + r * np.sqrt(1.0 - r * r))


def backlash(r):
    """Describing function of a friction-held backlash, r = half gap / amplitude."""
    x = 1.0 - 2.0 * r
    real = 0.5 + (np.arcsin(x) + x * np.sqrt(1.0 - x * x)) / np.pi
    return real - 1j * (1.0 - x * x) / np.pi


@pytest.mark.parametrize(
    ("r", "published"), [(0.1, 0.872889), (0.3, 0.623838), (0.5, 0.391002), (0.9, 0.037386)]
)
def test_gap_between_drum_and_cables_is_a_dead_zone(pair, harmonic, r, published):
    # dead zone 1 - saturation: take-up of the held drum to pull of the cables
    pair.motor.half_gap_rad = 0.01
    pair.cable.flexor_stretch_m = pair.cable.extensor_stretch_m = 2e-3  # never slack
    x = Plant()
    x.rest_m = plant.rest_take_up(pair.cable)
    pull = []
    for angle in 0.01 / r * SINE:
        plant.cable_pull(pair, x, angle, 0.0, 0.0, 0.0)
        pull.append(x.flexor_N - x.extensor_N)
    k = pair.cable.flexor_N_m + pair.cable.extensor_N_m
    found = harmonic(np.array(pull)) / (k * pair.cable.drum_m * 0.01 / r)
    assert min(pull) < 0.0 < max(pull)
    assert found.real == pytest.approx(1.0 - saturation(r), abs=1e-6)
    assert found.real == pytest.approx(published, abs=1e-6)
    assert found.imag == pytest.approx(0.0, abs=1e-6)  # no memory while the drum has no mass


@pytest.mark.parametrize(("r", "published"), [(0.2, 0.252940), (0.5, 0.608998), (0.8, 0.895912)])
def test_force_window_is_a_saturation(harmonic, r, published):
    settings, st = Limits(), Allowed()
    amps = 2.0 / settings.resistance_ohm
    limits.force_window(settings, st, 0.0, amps, 1.0e3)
    output = [limits.clip_to_window(st, u, 1.0e3) for u in 2.0 / r * SINE]
    found = harmonic(np.array(output)) / (2.0 / r)
    assert found == pytest.approx(saturation(r), abs=1e-6)
    assert found.real == pytest.approx(published, abs=1e-6)


def test_friction_feed_forward_is_a_saturation_and_nearly_a_relay(harmonic):
    gains = Gains()
    gains.friction_feed_V, gains.friction_speed_rad_s = 0.6, 0.3
    output = np.array([pid.friction_feed(gains, v) for v in 0.6 * SINE])
    assert harmonic(output) / 0.6 == pytest.approx(2.0 * saturation(0.5), abs=1e-6)
    output = np.array([pid.friction_feed(gains, v) for v in 300.0 * SINE])
    # far beyond the fade a relay, N = 4 d / (pi a): K. J. Astrom and T. Hagglund, Automatica
    # 20 (1984) 645-651; a fade over 1/1000 of the amplitude takes off 2e-7
    assert harmonic(output) / 300.0 == pytest.approx(4.0 * 0.6 / (np.pi * 300.0), rel=1e-6)


def test_dry_friction_of_the_motor_is_a_relay_in_speed(pair, harmonic):
    # N = -4 F / (pi a) from speed to torque, above the speed that one impulse stops
    m = pair.motor
    m.coulomb_Nm = m.stiction_Nm = 0.03
    m.viscous_Nms, h = 0.0, 1e-7
    x = Plant()
    torque = [m.inertia * (plant.motor_kick(pair, x, w, 0.0, h) - w) / h for w in 5.0 * SINE]
    found = harmonic(np.array(torque)) / 5.0
    assert found == pytest.approx(-4.0 * 0.03 / (np.pi * 5.0), rel=1e-5)


def friction_held(pair, friction_Nm, gap_rad):
    """A joint whose friction holds it whenever the drum floats in its gap."""
    pair.motor.half_gap_rad = gap_rad
    j = pair.hinge
    j.coulomb_Nm = j.stiction_Nm = friction_Nm
    return pair


@pytest.mark.parametrize("r", [0.1, 0.3, 0.5, 0.7])
def test_gap_with_a_friction_held_joint_is_a_backlash(pair, harmonic, r):
    # Friction stretches the cables: half gap + F/(k r1 r2), as an angle of the drum
    friction_held(pair, 0.02, 0.1)
    c = pair.cable
    stiffness = c.drum_m * c.joint_m * (c.flexor_N_m + c.extensor_N_m)
    half_gap = 0.1 + 0.02 / stiffness
    amplitude, n, turn_s = half_gap / r, 20_000, 4.0
    x, angles = Plant(), np.zeros(n)
    x.rest_m = plant.rest_take_up(c)
    for k in range(2 * n):  # the first turn forgets the start
        phase = 2.0 * np.pi * k / n
        x.drum_rad = amplitude * np.sin(phase)  # the drum is led by hand
        x.drum_rad_s = 2.0 * np.pi / turn_s * amplitude * np.cos(phase)
        angles[k % n] = x.joint_rad
        plant.substep(pair, x, turn_s / n)
    # let go, the joint coasts J v^2/2F = 4e-4 rad at 1.75 rad/s: 0.4 % of the half gap,
    # weighted by r in the output
    assert abs(harmonic(angles) / amplitude - backlash(r)) < 5e-3 * r
    # lost motion of a hysteresis test, up minus down at the same drum angle: the whole gap 2b
    if r < 0.5:
        assert angles[n // 2] - angles[0] == pytest.approx(2.0 * half_gap, rel=5e-3)


def limit_cycle(pair, k, seconds=50):
    """Amplitude over half gap and frequency (rad/s) of k/(s(s+1)) with backlash.

    Drum 1 kg m^2 on cables of 1 m radius, the angle of the joint fed back.
    """
    part = friction_held(pair, 0.01, 1.0)
    m, c = part.motor, part.cable
    m.inertia, m.viscous_Nms = 1.0, 1.0 - 1e-6
    m.resistance_25_ohm, m.driver_ohm, m.emf_V_s = 1.0, 0.0, 1e-3
    c.drum_m = c.joint_m = 1.0
    c.flexor_N_m = c.extensor_N_m = 10.0
    c.flexor_stretch_m = c.extensor_stretch_m = 0.1
    c.damping_Ns_m = 0.003
    part.hinge.inertia = 1e-5
    part.supply_V = 1.0
    tick_s, x = 1e-3, Plant()
    x.drum_rad = x.joint_rad = 2.0
    drum = np.zeros(1000 * seconds)
    for n in range(len(drum)):
        drum[n] = x.drum_rad
        volts = -1000.0 * k * x.joint_rad  # one volt drives with one millinewton metre
        plant.run_substeps(part, x, volts, 3, tick_s / 3)
    tail = drum[-20_000:]
    ups = np.nonzero((tail[:-1] < 0.0) & (tail[1:] >= 0.0))[0]
    if len(ups) < 2:
        return np.abs(tail).max(), 0.0
    return np.abs(tail).max(), 2.0 * np.pi * (len(ups) - 1) / (tick_s * (ups[-1] - ups[0]))


@pytest.mark.parametrize(
    ("k", "amplitude", "frequency", "df_amplitude", "df_frequency"),
    [
        # time simulation of an ideal backlash (own, outside this project), and harmonic balance
        (5.0, 1.9597, 1.5733, 2.0206, 1.5914),
        (8.0, 2.7236, 2.3161, 2.8114, 2.3344),
    ],
)
def test_limit_cycle_of_backlash_in_a_position_loop(
    pair, k, amplitude, frequency, df_amplitude, df_frequency
):
    found = limit_cycle(pair, k)
    # of the half gap the joint coasts J v^2/2F = 0.2 %, friction stretches the cables 0.05 %
    assert found == pytest.approx((amplitude, frequency), rel=0.01)
    # harmonic balance neglects the higher harmonics: 4 % and 1.5 % here
    balance = 1.0 + k * backlash(1.0 / df_amplitude) / (1j * df_frequency * (1j * df_frequency + 1))
    assert abs(balance) < 1e-3
    assert found[0] == pytest.approx(df_amplitude, rel=0.04)
    assert found[1] == pytest.approx(df_frequency, rel=0.015)


def test_no_limit_cycle_at_low_gain(pair):
    # least gain by harmonic balance 3.4166; at 2.5 the motion of 2 half gaps dies down to the gap
    amplitude, frequency = limit_cycle(pair, 2.5, seconds=80)
    assert amplitude < 1.1
    assert frequency == 0.0


def drive_to_target(part, gains, error, ticks, h=1e-3):
    """Joint angles under our controller at rest with an initial error."""
    loop, motion, x = Loop(), Motion(), Plant()
    pid.reset(loop, 0.0)
    motion.setpoint_rad = error
    angles = np.zeros(ticks)
    for n in range(ticks):
        u = pid.demand(gains, loop, motion, x.joint_rad, h)
        pid.settle(gains, loop, u, h)
        plant.run_substeps(part, x, u, 1, h)
        angles[n] = x.joint_rad
    return angles


def stiction_volts(motor):
    """Give the motor 4 mN m of friction at rest; return the volts that balance it."""
    motor.motor.coulomb_Nm, motor.motor.stiction_Nm = 2e-3, 3e-3
    motor.hinge.coulomb_Nm, motor.hinge.stiction_Nm = 1e-3, 1e-3
    return 4e-3 * motor.motor.resistance_25_ohm / motor.motor.emf_V_s


def test_stiction_band_without_an_integral(motor):
    # |e| <= Fs/Kp stands, more moves: B. Armstrong-Helouvry, P. Dupont, C. Canudas de Wit,
    # Automatica 30 (1994) 1083-1138 (from memory)
    gains = Gains()
    gains.kp, gains.kd = 2.0, 0.0
    band = stiction_volts(motor) / gains.kp
    for sign in (1.0, -1.0):
        assert np.all(drive_to_target(motor, gains, 0.999 * sign * band, 3000) == 0.0)
        assert sign * drive_to_target(motor, gains, 1.001 * sign * band, 300)[-1] > 0.0


def test_time_to_break_away_with_an_integral(motor):
    # from rest at error e: (Fs/e - Kp)/Ki
    gains = Gains()
    gains.kp, gains.ki, gains.kd = 2.0, 5.0, 0.0
    volts = stiction_volts(motor)
    error = 0.4 * volts / gains.kp
    angles = drive_to_target(motor, gains, error, 1000)
    expected = (volts / error - gains.kp) / gains.ki
    assert np.argmax(angles != 0.0) * 1e-3 == pytest.approx(expected, abs=2e-3)  # two ticks
