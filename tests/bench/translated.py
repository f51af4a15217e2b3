"""The tick as C on this computer: ``python -m tests.bench.translated``; ratios of one run.

How many times faster than CPython with objects of single precision: the tick alone, and a whole
closed loop with its plant; the lines of C, and what the tick takes in it.
"""

import json
import time
from pathlib import Path

import numpy as np

from controller.joint.state import Command, Readings, Report, State
from sim.run import single_precision, translated_loop
from sim.run.closed_loop import load_joint, simulate
from sim.translate import library

NOMINAL = Path(__file__).resolve().parents[1] / "data" / "nominal.toml"
TICKS = 20_000


def best(work, repeats):
    """Shortest of several times (s)."""
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return min(times)


def ticks(joint):
    """Seconds a tick of a powered, moving joint: objects, and C called from C."""
    records = [
        single_precision.single(one)
        for one in (joint.settings, State(), Command(), Readings(), Report())
    ]
    records[3].counts, records[3].supply_V, records[3].steps = 8000, 5.0, 1
    rows = [np.zeros(1, library.dtype_of(of)) for of in library.RECORDS]
    for of, one, row in zip(library.RECORDS, records, rows, strict=True):
        translated_loop.fill(of, one, row[0])
    tick = single_precision._controller().joint_tick
    text = library.text() + library.EXPORTS + (
        "void many(Settings *a, State *b, Command *c, Readings *d, Report *e, int32_t n) {"
        " for (int32_t k = 0; k < n; k++) { d->counts = 8000 + (k & 7); tick(a, b, c, d, e); } }\n"
    )  # fmt: skip
    many = library.compiled(text).many
    many.argtypes = [library.ctypes.c_void_p] * 5 + [library.ctypes.c_int32]
    at = [library.address(row) for row in rows]

    def objects():
        for k in range(TICKS // 20):
            records[3].counts = 8000 + (k & 7)
            tick(*records)

    for command in (records[2], rows[2][0]):
        if command is records[2]:
            command.request = 1
        else:
            command["request"] = 1
    return best(objects, 3) / (TICKS // 20), best(lambda: many(*at, TICKS), 5) / TICKS


def main():
    """Measure and print as JSON."""
    joint = load_joint(NOMINAL)
    scene = joint.scenarios()["step"]
    python, c = ticks(joint)
    for runtime in ("single", "single_python"):
        simulate(joint, scene, runtime=runtime)
    whole = [best(lambda runtime=runtime: simulate(joint, scene, runtime=runtime), count)
             for runtime, count in (("single_python", 3), ("single", 20), ("compiled", 20))]  # fmt: skip
    print(json.dumps({
        "functions": len(library.unit().functions), "lines_of_C": library.text().count("\n"),
        "tick_times_faster": python / c, "closed_loop_times_faster": whole[0] / whole[1],
        "closed_loop_over_double": whole[1] / whole[2],
    }, indent=2))  # fmt: skip


if __name__ == "__main__":
    main()
