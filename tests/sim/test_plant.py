from math import pi

import pytest

from controller.records import get, leaves
from sim.joint.part import DIRECT, SPRING_RETURN, Part, Plant
from sim.model import plant
from sim.model.events import cut, place

H = 5e-5


def smooth(part):
    """A part without dry friction and gravity."""
    for name in ("motor.coulomb_Nm", "motor.stiction_Nm", "motor.load_loss", "motor.half_gap_rad"):
        setattr(getattr(part, name.split(".")[0]), name.split(".")[1], 0.0)
    part.hinge.coulomb_Nm = part.hinge.stiction_Nm = part.hinge.gravity_Nm = 0.0
    part.cable.wrap_loss = 0.0
    return part


def put_at(part, angle):
    x = Plant()
    place(part, x, angle)
    return x


def run(part, x, seconds, duty=0.0, each=None):
    for _ in range(round(seconds / (20 * H))):
        plant.run_substeps(part, x, duty, 20, H)
        if each is not None:
            each(x)
    return x


@pytest.mark.parametrize("angle", [-0.1, 0.0, 0.8, 1.7])
@pytest.mark.parametrize("kind", [0, DIRECT])
def test_at_rest_it_stays_at_rest_to_the_last_bit(angle, kind):
    part = Part()
    part.cable.kind = kind
    part.hinge.coulomb_Nm, part.hinge.stiction_Nm = 2e-3, 2.4e-3  # more than its gravity
    x = run(part, put_at(part, angle), H * 20)
    before = (x.joint_rad, x.drum_rad)
    assert before == pytest.approx((angle, angle), abs=1e-12)
    run(part, x, 2.0)
    assert (x.joint_rad, x.drum_rad) == before
    assert (x.joint_rad_s, x.drum_rad_s) == (0.0, 0.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_load_within_the_friction_of_the_gear_never_creeps(sign):
    """Held by stiction: once the cables have taken the load up, not a bit moves."""
    part = Part()
    x = put_at(part, 0.8)
    x.load_Nm = sign * 0.02
    run(part, x, 1.0)
    stood = (x.joint_rad, x.drum_rad)
    assert abs(stood[0] - 0.8) > 1e-4
    run(part, x, 3.0)
    assert (x.joint_rad, x.drum_rad) == stood


def test_gravity_swings_a_free_joint_like_a_pendulum():
    part = smooth(Part())
    part.hinge.gravity_Nm, part.hinge.stops = 1.2e-3, 0
    part.hinge.gravity_at_rad = pi / 2.0  # stable at angle zero
    cut(part.cable, 0)
    cut(part.cable, 1)
    x = put_at(part, 0.05)
    times, last = [], [0.05]

    def watch(x):
        if last[0] > 0.0 >= x.joint_rad:
            times.append(len(seen))
        seen.append(x.joint_rad)
        last[0] = x.joint_rad

    seen = []
    run(part, x, 3.0, each=watch)
    period = (times[-1] - times[0]) / (len(times) - 1) * 20 * H
    assert period == pytest.approx(2.0 * pi * (5e-6 / 1.2e-3) ** 0.5, rel=2e-3)
    assert max(seen[-500:]) == pytest.approx(0.05, rel=5e-3)


@pytest.mark.parametrize("which", [0, 1])
def test_a_broken_cable_pulls_no_more_and_the_other_takes_the_joint(which):
    part = Part()
    x = put_at(part, 0.8)
    run(part, x, 0.1)
    assert x.flexor_N == pytest.approx(5.0, rel=0.3)
    cut(part.cable, which)
    run(part, x, 0.5)
    broken, whole = (x.flexor_N, x.extensor_N)[:: 1 if which == 0 else -1]
    assert broken == 0.0
    assert whole < 0.5
    assert (x.joint_rad < 0.8) == (which == 0)


def test_with_both_cables_broken_the_drum_turns_and_the_joint_hangs():
    part = smooth(Part())
    cut(part.cable, 0)
    cut(part.cable, 1)
    x = put_at(part, 0.8)
    run(part, x, 0.5, duty=0.8)
    assert x.drum_rad > 2.0
    assert x.joint_rad == 0.8


@pytest.mark.parametrize("duty", [1.0, -1.0, 0.4])
@pytest.mark.parametrize("kind", [0, SPRING_RETURN])
def test_cables_only_pull(kind, duty):
    part = Part()
    part.cable.kind = kind
    if kind == SPRING_RETURN:
        part.cable.extensor_N_m, part.cable.extensor_stretch_m = 200.0, 5.0 / 200.0
    lows = []
    x = put_at(part, 0.8)
    x.object_rad, x.object_Nm_rad = 1.2, 30.0
    run(part, x, 0.6, duty, each=lambda x: lows.append(min(x.flexor_N, x.extensor_N, x.tip_N)))
    assert min(lows) >= 0.0
    assert 0.0 in lows
    assert x.peak_cable_N > 4.0


def test_a_spring_brings_the_joint_back_when_the_motor_lets_it():
    part = smooth(Part())
    part.cable.kind = SPRING_RETURN
    part.cable.extensor_N_m, part.cable.extensor_stretch_m = 200.0, 5.0 / 200.0
    x = put_at(part, 0.3)
    run(part, x, 0.4, duty=0.5)
    closed = x.joint_rad
    assert closed > 1.0
    pull = x.extensor_N
    assert pull == pytest.approx(200.0 * (0.025 + 0.006 * closed), rel=1e-3)
    run(part, x, 2.0)
    assert x.joint_rad < closed - 0.5


@pytest.mark.parametrize(("duty", "angle"), [(1.0, 1.885), (-1.0, -0.14)])
def test_stops_hold_a_joint_at_full_drive(duty, angle):
    part = Part()
    x = put_at(part, 0.8)
    run(part, x, 1.0, duty)
    pressed = abs(x.joint_rad - angle)
    assert 0.0 < pressed < 0.02
    assert (x.joint_rad > angle) == (duty > 0.0)
    assert abs(x.joint_rad_s) < 1e-6


def test_an_object_presses_back_with_its_stiffness_and_never_pulls():
    part = Part()
    part.hinge.stops = 0
    x = put_at(part, 0.5)
    x.object_rad, x.object_Nm_rad = 0.9, 10.0
    run(part, x, 0.6, duty=0.5)
    assert x.tip_N == pytest.approx(10.0 * (x.joint_rad - 0.9) / 0.04, rel=1e-3)
    assert x.peak_tip_N >= x.tip_N > 0.5
    run(part, x, 0.4, duty=-1.0)
    assert x.joint_rad < 0.9
    assert x.tip_N == 0.0


@pytest.mark.parametrize("rest", [(2.5e4, 2.5e4), (2.5e4, 1e4), (0.0, 2.5e4), (2.5e4, 0.0)])
def test_the_massless_drum_gap_rests_where_the_cables_pull_equally(rest):
    c = Part().cable
    c.flexor_N_m, c.extensor_N_m = rest
    c.extensor_stretch_m = 3e-4
    z = plant.rest_take_up(c)
    flexor = max(c.flexor_N_m * (c.flexor_stretch_m + z), 0.0)
    extensor = max(c.extensor_N_m * (c.extensor_stretch_m - z), 0.0)
    assert flexor == pytest.approx(extensor, abs=1e-9)


def test_a_drum_within_the_backlash_moves_nothing():
    part = smooth(Part())
    part.motor.half_gap_rad = 0.02
    x = put_at(part, 0.8)
    x.drum_rad += 0.015
    run(part, x, 0.1)
    assert x.joint_rad == 0.8
    x.drum_rad += 0.02
    run(part, x, 0.1)
    assert x.joint_rad > 0.805


def test_a_moment_arm_that_grows_leads_the_joint_along_its_path():
    part = smooth(Part())
    part.cable.arm_1 = -0.2
    x = put_at(part, 1.0)
    assert x.drum_rad == pytest.approx(1.0 - 0.1)
    assert plant.cable_pull(part, x, x.drum_rad, 0.0, 1.0, 0.0) == pytest.approx(0.8 * 6e-3)
    run(part, x, 0.2)
    assert x.joint_rad == pytest.approx(1.0, abs=1e-9)


def test_the_same_start_gives_the_same_end_to_the_last_bit():
    ends = []
    for _ in range(2):
        part = Part()
        x = run(part, put_at(part, 0.8), 0.3, duty=0.7)
        ends.append([get(x, name) for name, _ in leaves(Plant)])
    assert ends[0] == ends[1]
