"""Joints of a hand in step: one supply, cables that cross other joints, gravity along a finger.

    take-up of cable k    s_k = r1 theta_k - path_k(q_k) - sum_j E_kj(q_j)
    torque on joint j     tau_j = arm_j pull_j + sum_k a_kj(q_j) pull_k
    excursion             E = a q (1 + b q/2 + c q^2/3),   arm a_kj = a (1 + b q + c q^2)
    gravity               joint j carries the links beyond it: g sum_i m_i (x_i - x_j)
    supply                every motor sees what the others draw, tick by tick

The coupling is taken from the state at the substep's beginning (semi-implicit Euler, as the
rest). Links carry no inertia over to each other: rotor and gear, seen at the joint, outweigh a
printed phalanx a hundred times; ``sim/README.md`` says so.
"""

from controller.joint import coupling
from sim.model import loop, plant
from sim.model.arithmetic import cosine
from sim.model.drive_electronics import drive_duty

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

GRAVITY = 9.81  # m/s^2


def couple(plants: "Any", pairs: "Any", links: "Any", base: "Any") -> None:
    """Set what joints do to each other: crossing cables' paths, their torque, gravity.

    pairs: rows k, j, a, b, c: cable of joint k crosses joint j; links: (n, 5) link's own mass
    (kg), length, distance of its centre (m), tilt of the finger's root (rad), number of the finger;
    length 0: no link. Joints of one finger stand in order. base: load of each joint (N*m).
    """
    for k in range(len(plants)):
        plants[k].extra_m = 0.0
        plants[k].extra_m_s = 0.0
        plants[k].load_Nm = base[k]
    for row in range(len(pairs)):
        k = int(pairs[row, 0])
        j = int(pairs[row, 1])
        a = pairs[row, 2]
        b = pairs[row, 3]
        c = pairs[row, 4]
        q = plants[j].joint_rad
        arm = a * (1.0 + b * q + c * q * q)
        plants[k].extra_m += a * q * (1.0 + 0.5 * b * q + c * q * q / 3.0)
        plants[k].extra_m_s += arm * plants[j].joint_rad_s
        plants[j].load_Nm -= arm * (plants[k].flexor_N - plants[k].extensor_N)
    weigh(plants, links)


def weigh(plants: "Any", links: "Any") -> None:
    """Add the torque of gravity: each joint carries its own link and those beyond it."""
    count = len(plants)
    for j in range(count):
        if links[j, 1] <= 0.0:
            continue
        angle = links[j, 3]
        first = j
        while first > 0 and links[first - 1, 4] == links[j, 4]:
            first -= 1
        for i in range(first, j + 1):
            angle += plants[i].joint_rad
        at = 0.0  # distance of the link's beginning from joint j, along the horizontal
        i = j
        while i < count and links[i, 4] == links[j, 4]:
            if i > j:
                angle += plants[i].joint_rad
            reach = cosine(angle)
            plants[j].load_Nm += GRAVITY * links[i, 0] * (at + links[i, 2] * reach)
            at += links[i, 1] * reach
            i += 1


def run_plants(
    parts: "Any", plants: "Any", duties: "Any", pairs: "Any", links: "Any", base: "Any", steps: int,
    h: float,
) -> None:  # fmt: skip
    """Substeps of all joints in step, at one duty each; account the heat."""
    count = len(plants)
    for k in range(count):
        plant.supply_tick(parts[k], plants[k], duties[k])
        plants[k].heat_A2s = 0.0
    for _ in range(steps):
        couple(plants, pairs, links, base)
        for k in range(count):
            plant.substep(parts[k], plants[k], h)
    for k in range(count):
        plant.account(parts[k], plants[k], steps * h)


def share_supply(plants: "Any", duties: "Any") -> float:
    """Tell every joint what the others draw (A, from the supply); return the whole."""
    count = len(plants)
    whole = 0.0
    for k in range(count):
        whole += duties[k] * plants[k].current_A
    for k in range(count):
        others = whole - duties[k] * plants[k].current_A
        plants[k].others_A = others if others > 0.0 else 0.0
    return whole


def run_hand(
    rigs: "Any",
    events: "Any",
    begins: "Any",
    traces: "Any",
    pairs: "Any",
    links: "Any",
    drawn: "Any",
) -> None:
    """Run all joints in step through their schedules.

    rigs: runs of the same ticks, substeps and delay; events of joint k: ``events[begins[k]:begins[k + 1]]``;
    traces: (n, rows); pairs, links: as of ``couple``; drawn: supply current (A) of every tick.
    """
    count = len(rigs)
    first = rigs[0]
    states, parts, plants = rigs.state, rigs.part, rigs.plant
    base, duties = rigs.plant.load_Nm.copy(), rigs.run.duty
    h = first.settings.tick_s / first.run.substeps
    for tick in range(first.run.ticks):
        for k in range(count):
            rig = rigs[k]
            if loop.begin_tick(rig, events[begins[k] : begins[k + 1]], tick) > 0:
                if coupling.crosses(rig.settings.across):
                    coupling.fill(rig.settings.across, rig.state, states)
                loop.control(rig)
            loop.note(rig, traces[k], tick)
        drawn[tick] = share_supply(plants, duties)
        run_plants(parts, plants, duties, pairs, links, base, first.run.delay, h)
        for k in range(count):
            rig = rigs[k]
            duties[k] = drive_duty(rig.part, rig.plant, rig.run, rig.state.output.value,
                                   rig.report.setpoint_rad, rig.settings.tick_s)  # fmt: skip
            rig.score.mode = rig.report.mode
            rig.score.end_rad = rig.plant.joint_rad
        run_plants(
            parts, plants, duties, pairs, links, base, first.run.substeps - first.run.delay, h
        )
