"""Sensor and cable against handbook relations."""

import numpy as np
import pytest

from controller.joint.sensor import sense
from controller.joint.state import Sensed
from sim.joint import datasheet, materials
from sim.joint.part import SPRING_RETURN, Plant, Potentiometer, Sense
from sim.joint.settings import joint_settings
from sim.model import plant, sensor

DEG = np.pi / 180.0


# --- potentiometer and converter ---------------------------------------------


@pytest.mark.parametrize(
    ("ratio", "worst", "at"),
    [(1.0, 0.1215851, 0.68889), (10.0, 0.0144933, 0.66911), (100.0, 0.00147820, 0.66691)],
)
def test_loading_of_the_potentiometer(ratio, worst, at):
    # y = x/(1 + x(1-x)/m), loaded divider; about (4/27)/m near 2/3 of the track.
    # Bounds of 0.75 % at m = 20 and 0.15 % at m = 100: rclab.de, "belastetes Potentiometer"
    probe = Potentiometer()
    probe.load_ratio = ratio
    x = np.linspace(0.0, 1.0, 100_001)
    error = x - np.array([sensor.bent(probe, one) for one in x])
    assert error.max() == pytest.approx(worst, rel=1e-5)
    assert x[error.argmax()] == pytest.approx(at, abs=1e-4)
    # Kirchhoff's rule at the wiper, track 1, load m: currents sum to zero
    y = sensor.bent(probe, 0.4)
    assert (1.0 - y) / 0.6 == pytest.approx(y / 0.4 + y / ratio, rel=1e-12)


def sine_readings(probe, samples):
    """Readings of a full-scale sine, and the best-fitting sine's error (counts rms)."""
    turns = np.arange(samples) * 0.6180339887498949  # never the same phase twice
    angle = 0.5 * probe.electrical_rad * np.sin(2.0 * np.pi * turns)
    state = Sense()
    counts = np.array([sensor.read(probe, state, one, 0.001) for one in angle], float)
    base = np.column_stack([angle, np.ones(samples)])
    fit, *_ = np.linalg.lstsq(base, counts, rcond=None)
    signal = np.std(angle) * fit[0]
    return counts, 20.0 * np.log10(signal / np.std(counts - base @ fit))


@pytest.mark.parametrize("bits", [8, 10, 12])
def test_quantisation_of_an_ideal_converter(bits):
    # SNR = 6.02 N + 1.76 dB: W. Kester, Tutorial MT-001. A full-scale sine of 2^N - 1 steps
    # and the fewer crossings at its ends: 0.2 dB
    probe = Potentiometer()
    probe.zero_fraction, probe.noise_counts, probe.load_ratio = 0.5, 0.0, 0.0
    probe.top_counts = 2**bits - 1
    counts, snr_dB = sine_readings(probe, 20_000)
    assert counts.min() == 0.0
    assert counts.max() == probe.top_counts
    assert snr_dB == pytest.approx(20.0 * np.log10(2.0**bits * np.sqrt(1.5)), abs=0.2)


@pytest.mark.parametrize("effective", [8.7, 9.5, 11.0])
def test_noise_gives_the_effective_bits_asked_for(changed, effective):
    # ENOB = (SINAD - 1.76)/6.02, IEEE 1241 (from memory). 8.7: measured value in the
    # erratum of a common 12-bit microcontroller converter
    file = changed(sensor={"effective_bits": effective})
    probe = Potentiometer()
    probe.zero_fraction, probe.load_ratio = 0.5, 0.0
    probe.top_counts = 4 * 4095
    probe.noise_counts = datasheet.noise_counts(file)
    _, sinad_dB = sine_readings(probe, 20_000)
    # 20 000 samples leave 0.04 dB = 0.007 bit; noise clipped at the ends of scale adds 0.02 bit
    assert (sinad_dB - 1.76) / 6.02 == pytest.approx(effective, abs=0.03)


def test_angle_of_one_count(changed):
    # 300 deg on 12 bits: 300/4096 = 0.0732 deg, and 73.2 deg/s a count at 1 kHz
    file = changed(
        sensor={"electrical_angle": "300 deg", "oversampling": 1, "dead_gap_at": "230 deg"},
        control={"rate": "1000 Hz"},
    )
    s = joint_settings(file, datasheet.nominal_part(file)).sensor
    assert s.rad_per_count / DEG == pytest.approx(0.0732, rel=1e-3)
    s.speed_filter_s, s.correction_points = 0.0, 0
    state = Sensed()
    sense(s, state, 2000, 0, 1, 0.001)
    sense(s, state, 2001, 0, 1, 0.001)
    assert state.speed_rad_s / DEG == pytest.approx(73.2, rel=1e-3)


# --- cable -------------------------------------------------------------------


def joint_on_one_cable(part, share):
    """Joint speed after a moment, the load being a share of the cable's torque."""
    part.cable.kind, part.cable.extensor_N_m = SPRING_RETURN, 0.0
    part.motor.half_gap_rad = 0.0
    j = part.hinge
    j.coulomb_Nm = j.stiction_Nm = j.gravity_Nm = 0.0
    x = Plant()
    x.rest_m = plant.rest_take_up(part.cable)
    pull = part.cable.flexor_N_m * part.cable.flexor_stretch_m
    x.load_Nm = share * pull * part.cable.joint_m
    plant.substep(part, x, 1e-6)
    assert x.flexor_N == pytest.approx(pull, rel=1e-6)
    return x.joint_rad_s


@pytest.mark.parametrize(
    ("mu", "turns", "ratio"),
    [
        # e^(mu phi), Euler; Eytelwein 1808; formula as printed in encyclopedias
        (0.1, 0.25, 1.1701),
        (0.1, 0.5, 1.3691),
        (0.1, 1.0, 1.8745),
        (0.2, 0.5, 1.8745),
        (0.3, 0.25, 1.6020),
        (0.3, 0.5, 2.5663),
        (0.5, 1.0, 23.1407),
    ],
)
def test_guides_lose_pull_by_the_capstan_formula(changed, mu, turns, ratio):
    cable = {"guide_friction": mu, "guide_wrap": f"{2.0 * np.pi * turns!r} rad"}
    part = datasheet.nominal_part(changed(cable=cable))
    assert 1.0 / (1.0 - part.cable.wrap_loss) == pytest.approx(ratio, rel=1e-4)
    # a drum that pulls with T lifts what T/ratio lifts, and no more
    assert joint_on_one_cable(part, (1.0 - 1e-4) / ratio) > 0.0
    assert joint_on_one_cable(part, (1.0 + 1e-4) / ratio) == 0.0


def test_guides_hold_against_the_load_to_first_order(changed):
    # pulled backwards, T ratio is needed; the plant takes 1 - 1/ratio both ways: (mu phi)^2
    # less, 4 % at the nominal 0.1 and 2 rad
    cable = {"guide_friction": 0.1, "guide_wrap": "2 rad"}
    part = datasheet.nominal_part(changed(cable=cable))
    assert joint_on_one_cable(part, 0.96 * np.exp(0.2)) == 0.0
    assert joint_on_one_cable(part, 1.0 * np.exp(0.2)) < 0.0


def test_stiffness_of_fibre_and_steel():
    # specific modulus and strength (N/tex), "Synthetic fibre yarn properties", table 1,
    # tensiontech.cn: polyethylene 124 and 2.65, aramid 49 to 78 and 2.0; times density
    fibre = materials.MATERIALS["polyethylene_braid"]
    assert fibre.modulus_Pa == pytest.approx(120e9, rel=0.01)
    # 100 tex (0.1 g/m) of it, 0.2 m long: 62 N/mm, an upper bound for a braid
    diameter = np.sqrt(4.0 * 100e-6 / 970.0 / (np.pi * fibre.fill))
    k = materials.stiffness("polyethylene_braid", diameter, 0.2)
    assert k == pytest.approx(62e3, rel=1e-6)
    assert k * 0.008**2 == pytest.approx(3.968, rel=1e-6)
    assert 20.0 / k / 0.008 / DEG == pytest.approx(2.310, abs=1e-3)
    assert materials.strength("polyethylene_braid", diameter) == pytest.approx(265.0, rel=1e-6)
    assert 49e6 < materials.MATERIALS["aramid_braid"].modulus_Pa / 1440.0 < 78e6
    # modulus of a stranded steel cable 60 to 100 GPa (wire-rope handbooks, from memory)
    assert 60e9 <= materials.MATERIALS["steel_strand"].modulus_Pa <= 100e9


def test_moment_arm_of_a_bowstringing_tendon(pair):
    # J. M. F. Landsmeer 1961, third model (from memory), d 5 mm, y 10 mm: excursion
    # 2 (y (1 - (q/2)/tan(q/2)) + d q/2), arm d + y ((q/2)/sin^2(q/2) - cot(q/2))
    half = np.linspace(1e-6, 0.25 * np.pi, 200)
    arm = 5.0 + 10.0 * (half / np.sin(half) ** 2 - 1.0 / np.tan(half))
    q = 2.0 * half
    (a1, a2), *_ = np.linalg.lstsq(np.column_stack([q, q * q]), arm / 5.0 - 1.0, rcond=None)
    c = pair.cable
    c.drum_m, c.joint_m, c.arm_1, c.arm_2 = 0.005, 0.005, a1, a2
    x = Plant()
    for degrees, excursion in ((30, 3.077022), (60, 7.097994), (90, 12.146018)):
        at = degrees * DEG
        found = plant.cable_pull(pair, x, 0.0, 0.0, at, 0.0)
        exact = 5.0 + 10.0 * (0.5 * at / np.sin(0.5 * at) ** 2 - 1.0 / np.tan(0.5 * at))
        # the fit is off by 0.038 mm at most (arm, 5 to 10.7 mm) and 0.0085 mm (excursion)
        assert 1000.0 * found == pytest.approx(exact, abs=0.04)
        taken = c.extensor_N_m * (c.extensor_stretch_m + 1e-3 * excursion)
        assert x.extensor_N == pytest.approx(taken, abs=0.01e-3 * c.extensor_N_m)
