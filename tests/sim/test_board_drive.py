import numpy as np
import pytest

from sim.joint.part import BRIDGE, BUILTIN, PROPORTIONAL_AMPLIFIER, STRETCHED_AMPLIFIER, Part, Plant
from sim.model.drive_electronics import amplifier_share, builtin_share, drive_duty
from sim.model.schedule import Run
from sim.run import scenarios
from sim.run.closed_loop import simulate

H = 0.002


def part_of(board):
    part = Part()
    part.amplifier = board
    return part


def play(part, values, want=0.0, angle=0.0):
    run, x = Run(), Plant()
    x.joint_rad = angle
    return [drive_duty(part, x, run, value, want, H) for value in values]


@pytest.mark.parametrize(("value", "duty"), [(0.3, 0.3), (-0.7, -0.7), (1.5, 1.0), (-9.0, -1.0)])
def test_a_bridge_takes_the_output_as_its_duty(value, duty):
    assert play(part_of(BRIDGE), [value]) == [duty]


@pytest.mark.parametrize(
    ("width", "share"),
    [
        (1.5e-3, 0.0),
        (1.5e-3 + 4.9e-6, 0.0),
        (1.5e-3 - 4.9e-6, 0.0),
        (1.5e-3 + 5e-6 + 0.75e-4, 0.5),
        (1.5e-3 - 5e-6 - 0.75e-4, -0.5),
        (1.5e-3 + 5e-6 + 1.5e-4, 1.0),
        (2.0e-3, 1.0),
        (1.0e-3, -1.0),
    ],
)
def test_a_pulse_amplifier_has_a_dead_band_a_slope_and_an_end(width, share):
    assert amplifier_share(Part(), width) == pytest.approx(share, abs=1e-9)
    assert play(part_of(PROPORTIONAL_AMPLIFIER), [width])[0] == pytest.approx(share, abs=1e-9)


def test_a_proportional_board_holds_its_duty_for_a_frame():
    wide, narrow = 1.5e-3 + 5e-6 + 0.75e-4, 1.5e-3 - 5e-6 - 0.3e-4
    duties = play(part_of(PROPORTIONAL_AMPLIFIER), [wide] + [narrow] * 40)
    assert duties[:9] == pytest.approx([0.5] * 9)
    assert duties[12:] == pytest.approx([-0.2] * 29)
    assert duties.count(pytest.approx(0.5)) in (9, 10)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("share", [0.05, 0.35, 0.5, 0.93])
def test_a_stretching_board_drives_fully_for_its_share_of_the_frame(share, sign):
    width = 1.5e-3 + sign * (5e-6 + share * 1.5e-4)
    duties = play(part_of(STRETCHED_AMPLIFIER), [width] * 109)[9:]  # ten whole frames
    frame = duties[:10]
    assert sum(frame) / 10 == pytest.approx(sign * share, abs=1e-9)
    on = share * 10
    assert frame[: int(on)] == pytest.approx([sign] * int(on))
    assert frame[int(on) + 1 :] == pytest.approx([0.0] * (9 - int(on)), abs=1e-9)
    assert sum(duties) / len(duties) == pytest.approx(sign * share, abs=1e-9)


@pytest.mark.parametrize("board", [PROPORTIONAL_AMPLIFIER, STRETCHED_AMPLIFIER, BUILTIN])
def test_no_pulse_is_no_drive_at_once(board):
    wide = 1.9e-3
    duties = play(part_of(board), [wide, wide, 0.0, 0.0, 0.0], want=1.0)
    assert duties[:2] == [1.0, 1.0]
    assert duties[2:] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("want", "share"),
    [
        (0.0, 0.0),
        (0.0169, 0.0),
        (-0.0169, 0.0),
        (0.13, 0.5),
        (-0.13, -0.5),
        (1.0, 1.0),
        (-3.0, -1.0),
    ],
)
def test_the_original_loop_follows_the_joint_s_own_angle(want, share):
    part, x = Part(), Plant()
    x.joint_rad = 0.4
    assert builtin_share(part, x, 0.4 + want) == pytest.approx(share)
    assert play(part_of(BUILTIN), [1.5e-3], 0.4 + want, 0.4)[0] == pytest.approx(share)


def test_the_original_loop_looks_once_a_frame():
    part, run, x = part_of(BUILTIN), Run(), Plant()
    duties = []
    for _ in range(30):
        duties.append(drive_duty(part, x, run, 1.5e-3, 0.13, H))
        x.joint_rad += 0.002
    assert len(set(duties)) <= 4
    assert duties[0] == pytest.approx(0.5)
    assert duties == sorted(duties, reverse=True)


@pytest.mark.parametrize("kind", ["bridge", "pulse"])
def test_a_motor_wired_the_other_way_moves_alike_where_the_file_says_so(made, kind):
    """The drive is turned over twice, by the wires and by the setting: nothing else changes."""
    plain = made({"drive.kind": kind})
    turned = made({"drive.kind": kind, "drive.reversed": True})
    scene = scenarios.step(0.5, 1.2, 0.0209)
    angle = simulate(turned, scene)["angle_rad"]
    np.testing.assert_allclose(angle, simulate(plain, scene)["angle_rad"], atol=1e-9)
    assert angle.max() > 1.1
    turned.settings.drive.sign = 1  # as a board that was not told
    assert simulate(turned, scene).metrics.fault == "moves against the drive"
