"""The hand and sweeps at length: ``python -m tests.bench.hand`` (about three minutes on two cores).

Real-time factor of 4, 8 and 16 coupled joints on one core; 10,000 variants of the demo joint on
this machine's processes, and 2,000 of them there and on a local Dask cluster of two workers.
"""

import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from sim.hand.coupled import scenarios, simulate_hand
from sim.hand.file import read_hand
from sim.reading import parse_toml, read_text
from sim.run.executors import open_executor
from sim.size.sweep import read_axis, sweep

DEMO = Path(__file__).resolve().parents[2] / "host" / "demo"


def coupled(results):
    """Seconds simulated in a second, by number of joints: fingers of the demo hand, repeated."""
    hand = read_hand(DEMO / "hand.toml")
    sequence = hand.sequences[0]
    finger = hand.fingers[0]
    for count in (4, 8, 16):
        members = [hand.members[k % 3] for k in range(count)]
        fingers = [replace(finger, joints=list(range(at, at + 3))) for at in range(0, count - 2, 3)]
        postures = {
            name: {k: rows[k % 3] for k in range(count)} for name, rows in hand.postures.items()
        }
        made = replace(hand, members=members, fingers=fingers, postures=postures)
        scenes = scenarios(made, sequence)
        simulate_hand(made, scenes)
        times = []
        for _ in range(5):
            begun = time.perf_counter()
            run = simulate_hand(made, scenes)
            times.append(time.perf_counter() - begun)
        assert np.isfinite(run.traces).all()
        results[f"real_time_factor_{count}_joints"] = sequence.seconds / min(times)


def variants(results):
    """Seconds of a sweep, its start included."""
    tables = parse_toml(read_text(DEMO / "joint.toml"), "joint.toml")
    radius, drum = "cable.joint_radius=4 mm..9 mm/{}", "cable.drum_radius=4 mm..8 mm/{}"

    def seconds(runner, rows, columns):
        axes = [read_axis(radius.format(rows)), read_axis(drum.format(columns))]
        begun = time.perf_counter()
        count = sum(1 for _ in sweep(tables, axes, "joint.toml", runner))
        assert count == rows * columns
        return time.perf_counter() - begun

    with open_executor() as runner:
        results["sweep_10000_s"] = seconds(runner, 100, 100)
        results["sweep_2000_s"] = seconds(runner, 50, 40)
    from distributed import LocalCluster

    with (
        LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
        open_executor(cluster.scheduler_address) as runner,
    ):
        seconds(runner, 10, 10)
        results["sweep_2000_dask_s"] = seconds(runner, 50, 40)
    results["dask_over_processes"] = results["sweep_2000_dask_s"] / results["sweep_2000_s"]


def main():
    """Measure and print as JSON."""
    results = {}
    coupled(results)
    print(json.dumps(results), flush=True)
    variants(results)
    print(json.dumps(results, indent=2))


if __name__ == "__main__":
    main()
