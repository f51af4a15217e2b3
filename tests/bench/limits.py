"""Limits at length: ``python tests/bench/limits.py`` (about ten minutes on two cores).

Faults on 2,000 random parts, ten simulated hours of normal use, and the rate of the
search for a breach at the demo joint's own tick and at 1 kHz.
"""

import json
from pathlib import Path

from sim.challenge import attack
from sim.closed_loop import joint_of
from sim.fault_study import study_faults
from sim.joint_file import parse_toml, read_text

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
    """Every fault on 2,000 parts; false alarms in ten hours."""
    study = study_faults(demo("500 Hz"), count=2000, seed=1, hours=10.0)
    results["allowed_pull_N"] = study.allowed_pull_N
    results["hours"], results["false_alarms"] = study.hours, study.false_alarms
    for row in study.rows:
        results[row.name] = {
            "seen_worst_ms": None if row.seen_worst_s is None else 1e3 * row.seen_worst_s,
            "unseen_share": row.unseen_share,
            "peak_tension_N": row.peak_tension_N,
        }


def main():
    """Measure and print as JSON."""
    results = {}
    rates(results)
    faults(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
