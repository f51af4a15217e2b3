"""The fault study: what is seen how soon, what it costs, what is said of it; no false alarms."""

import pytest

from host.commands.faults import sentences
from sim.challenge.fault_study import (
    INSTANTS,
    count_false_alarms,
    fault_moves,
    faults_of,
    study_faults,
)
from sim.joint.spread import draw_parts, spread_of
from sim.run.closed_loop import Fleet

KINDS = {
    "finger": {},
    "wrist": {"joint.travel": "continuous", "joint.range": None, "cable.joint_radius": "12 mm",
              "joint.inertia": "6e-5 kg*m^2", "joint.gravity_torque": "15 mN*m"},
    "spring return": {"cable.kind": "spring_return", "cable.spring_stiffness": "200 N/m"},
    "slow finger": {"motor.no_load_speed": "25 rpm", "motor.stall_torque": "6 kgf*cm",
                    "motor.gear_ratio": 1000.0},
    "low supply": {"drive.supply": "3 V"},
    "direct": {"cable.kind": "direct"},
    "pulse": {"drive.kind": "pulse"},
    "short range": {"joint.range": ["0 deg", "40 deg"]},
}  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_normal_use_of_each_kind_of_joint_without_a_false_alarm(made, kind):
    """One simulated hour each, parts inside the resonance rule; ten in ``tests/bench/limits.py``."""
    joint = made(KINDS[kind])
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 60, 5, "inside")
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 5)
    hours, alarms = count_false_alarms(joint, fleet, 1.0, seed=11)
    assert hours >= 1.0
    assert alarms == {}


def test_every_fault_keeps_its_bound_over_the_spread(joint):
    """Detection bounds of the table of faults, in ticks and settings; the cable's allowed pull."""
    s = joint.settings
    study = study_faults(joint, count=100, seed=3, hours=0.01)
    rows = {row.name: row for row in study.rows}
    tick = s.tick_s
    # the fault happens after a reading: one tick more than the readings that must be odd
    assert rows["wiper_open"].seen_worst_s <= (s.sensor.bad_ticks + 1) * tick
    assert rows["wiper_shorted"].seen_worst_s <= (s.sensor.bad_ticks + 1) * tick
    assert rows["reading_held"].seen_worst_s <= (s.sensor.held_ticks + 1) * tick
    assert rows["supply_dip"].seen_worst_s <= (s.limits.supply_ticks + 1) * tick
    assert rows["link_silent"].seen_worst_s <= s.watch.link_silence_s + 2 * tick
    for name in ("wiper_open", "wiper_shorted", "reading_held", "wires_swapped", "supply_dip",
                 "link_silent", "wiper_floating", "motor_open"):  # fmt: skip
        assert rows[name].unseen_share == 0.0, name
    for row in study.rows:
        if row.name != "wiper_floating":
            assert row.peak_tension_N <= study.allowed_pull_N, row.name
    floats, torn = rows["wiper_floating"], rows["wiper_open"]
    assert floats.peak_tension_N > study.allowed_pull_N > 1.2 * torn.peak_tension_N
    told = [text for _, text in sentences(study) if text.startswith(floats.meaning)]
    assert f"{floats.peak_tension_N:.0f} N, above the {study.allowed_pull_N:.0f} N" in told[0]
    assert f"makes it {torn.peak_tension_N:.0f} N" in told[0]


def test_the_worst_instant_is_found(joint):
    """A fault at one instant alone tells less: the table's pull is the greatest of all of them."""
    study = study_faults(joint, count=30, seed=3, hours=0.01)
    row = next(one for one in study.rows if one.name == "wires_swapped")
    parts, warmth = draw_parts(joint.part, spread_of(joint.file), 30, 3)
    fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 3)
    pulls = {}
    for at, scene in fault_moves(joint)["wires_swapped"]:
        pull = float(fleet.run(joint.settings, scene).plants["peak_cable_N"].max())
        pulls[at] = max(pulls.get(at, 0.0), pull)
    assert len(pulls) == len(INSTANTS)
    assert row.peak_tension_N == max(pulls.values()) > 1.1 * min(pulls.values())
    assert pulls[row.peak_instant_s] == row.peak_tension_N


def test_a_joint_without_cables_has_none_that_snaps(made):
    direct = {row[0] for row in faults_of(made({"cable.kind": "direct"}))}
    assert not {"flexor_cut", "extensor_cut"} & direct
    spring = {row[0]: row[3] for row in faults_of(made(KINDS["spring return"]))}
    assert spring["extensor_cut"] == "the return spring breaks"


def test_what_is_never_seen_is_said(joint):
    study = study_faults(joint, count=5, seed=3, hours=0.01)
    for row in study.rows:
        row.unseen_share, row.peak_tension_N = 0.0, 1.0
    assert sentences(study)[-1][1].startswith("Every fault is answered")
    study.rows[0].unseen_share = 1.0
    study.rows[1].unseen_share = 0.0004
    said = [text for _, text in sentences(study)]
    assert any(text.startswith(f"{study.rows[0].meaning}: never seen") for text in said)
    assert any(f"{study.rows[1].meaning}: not seen in 0.1 % of the runs" in text for text in said)
    assert not any(text.startswith("Every fault") for text in said)
