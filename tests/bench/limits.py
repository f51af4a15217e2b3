"""Limits at length: ``python tests/bench/limits.py`` (about ten minutes on two cores).

Faults on 400 random parts at six instants, ten simulated hours of normal use of each kind of joint,
forces of every powered mode on 2,000 parts, and the rate of the
search for a breach at the demo joint's own tick and at 1 kHz.
"""

import json
from pathlib import Path

from sim.challenge import attack
from sim.challenge.fault_study import count_false_alarms, study_faults
from sim.joint.spread import draw_parts, spread_of
from sim.reading import parse_toml, read_text
from sim.run.closed_loop import Fleet, joint_of
from sim.size import force

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"
DEMO = Path(__file__).resolve().parents[2] / "host" / "demo" / "joint.toml"


def demo(rate):
    """The demo joint with another tick."""
    tables = parse_toml(read_text(DEMO), str(DEMO))
    tables["control"]["rate"] = rate
    return joint_of(tables, str(DEMO))


def rates(results):
    """Scenario runs a second of the search, all cores; the first program includes its start."""
    for rate in ("500 Hz", "1 kHz"):
        joint = demo(rate)
        attack(joint, seed=9, examples=20)
        found = attack(joint, seed=1, examples=1500).outcome
        results[f"challenge_runs_per_s_at_{rate.replace(' ', '_')}"] = found.runs / found.elapsed_s
        results[f"challenge_broken_at_{rate.replace(' ', '_')}"] = found.broken


def faults(results):
    """Every fault on 400 parts, both ways, at six instants; false alarms in ten hours."""
    study = study_faults(demo("500 Hz"), count=400, seed=1, hours=10.0)  # at six instants each
    results["allowed_pull_N"] = study.allowed_pull_N
    results["hours"], results["false_alarms"] = study.hours, study.false_alarms
    for row in study.rows:
        results[row.name] = {
            "seen_worst_ms": None if row.seen_worst_s is None else 1e3 * row.seen_worst_s,
            "unseen_share": row.unseen_share,
            "peak_tension_N": row.peak_tension_N,
            "peak_instant_s": row.peak_instant_s,
        }


KINDS = {
    "finger": {},
    "wrist": {"joint": {"travel": "continuous", "range": None, "stops": None, "inertia": "6e-5 kg*m^2",
                        "gravity_torque": "15 mN*m"}, "cable": {"joint_radius": "12 mm"}},
    "spring return": {"cable": {"kind": "spring_return", "spring_stiffness": "200 N/m"}},
    "slow finger": {"motor": {"no_load_speed": "25 rpm", "stall_torque": "6 kgf*cm",
                              "gear_ratio": 1000.0}},
    "low supply": {"drive": {"supply": "3 V"}},
    "direct": {"cable": {"kind": "direct"}},
    "pulse": {"drive": {"kind": "pulse"}},
    "short range": {"joint": {"range": ["0 deg", "40 deg"]}},
}  # fmt: skip
"""Kinds of joint, as changes of the nominal class (the wrist's numbers are invented)."""


def alarms(results):
    """False alarms in ten simulated hours of each kind of joint, parts inside the resonance rule."""
    for kind, changes in KINDS.items():
        tables = parse_toml(read_text(NOMINAL), str(NOMINAL))
        for table, values in changes.items():
            tables[table].update(values)
            tables[table] = {
                key: value for key, value in tables[table].items() if value is not None
            }
        joint = joint_of(tables, str(NOMINAL))
        parts, warmth = draw_parts(joint.part, spread_of(joint.file), 100, 7, "inside")
        fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 7)
        hours, found = count_false_alarms(joint, fleet, 10.0, 11)
        results[f"false_alarms_{kind.replace(' ', '_')}"] = {"hours": hours, **found}


def forces(results):
    """Tip force in every powered mode on 2,000 parts, against what `size` tells."""
    for limit in ("0.5 N", "1 N", "3 N"):
        tables = parse_toml(read_text(NOMINAL), str(NOMINAL))
        tables["limits"]["tip_force"] = limit
        joint = joint_of(tables, str(NOMINAL))
        parts, warmth = draw_parts(joint.part, spread_of(joint.file), 2000, 99)
        fleet = Fleet(parts, warmth, joint.settings.tick_s, joint.delay_s, 98)
        _, most, pull = force.contact_spread(joint)
        told = force.mode_forces(joint)
        held, tension = force.contact_forces(joint, fleet)
        test = fleet.run(joint.settings, force.self_test_scene(joint)).plants["peak_held_N"]
        back = fleet.run(joint.settings, force.release_scene(joint)).plants
        assert held.max() <= most and tension.max() <= pull and test.max() <= told.self_test_N, (
            limit
        )
        results[f"forces_at_limit_{limit.replace(' ', '_')}"] = {
            "contact_told_N": most, "contact_worst_N": float(held.max()),
            "contact_share_above": float((held > most).mean()),
            "pull_told_N": pull, "pull_worst_N": float(tension.max()),
            "self_test_told_N": told.self_test_N, "self_test_worst_N": float(test.max()),
            "controlled_stop_and_release_worst_N": float(back["peak_held_N"].max()),
            "left_after_release_N": float(back["held_N"].max()),
        }  # fmt: skip


def main():
    """Measure and print as JSON."""
    results = {}
    rates(results)
    faults(results)
    alarms(results)
    forces(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
