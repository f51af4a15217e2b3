"""The worked example of the measured axis: ``python -m tests.bench.measured_axis``.

Needs JOINTLOOP_DATA. Runs the commands that the page names and puts their figures beside it
(tests/reference/measured_axis/README.md), and prints the numbers that stand there.
"""

import csv
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from sim.identify.axis.regression import regress
from tests.reference.measured_axis.axis import PUBLISHED, in_closed_loop, measured

HERE = Path(__file__).resolve().parents[1] / "reference" / "measured_axis"
COLUMNS = "time=t[s],drive=force[N],angle=position[m]"


def write(path, log):
    """A half of the log as text."""
    with path.open("w", newline="", encoding="utf-8") as file:
        out = csv.writer(file)
        out.writerow(["t", "force", "position"])
        out.writerows(zip(log.time_s.round(6), log.force_N, log.position_m, strict=True))


def main():
    """Run the example."""
    log = measured()
    if log is None:
        sys.exit("JOINTLOOP_DATA names no folder with emps/DATA_EMPS.mat")
    middle = len(log.time_s) // 2
    halves = log.rows(slice(0, middle)), log.rows(slice(middle, None))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for label, one in zip(("first", "second"), halves, strict=True):
            write(folder / f"{label}.csv", one)
        for more, figure in (
            ([], "identified.png"),
            (["--predict", "second.csv"], "predicted.png"),
        ):
            done = subprocess.run([sys.executable, "-m", "host.cli", "identify", "first.csv", "--columns",
                                   COLUMNS, *more], cwd=folder, text=True, stdout=subprocess.PIPE, check=True,
                                  env={**__import__("os").environ, "PYTHONPATH": str(HERE.parents[2])})  # fmt: skip
            print(done.stdout)
            shutil.copy(folder / "jointloop-runs" / "first-identify.png", HERE / figure)
    seen, unseen = halves
    found = regress(seen.time_s - seen.time_s[0], seen.force_N, seen.position_m).values
    position, drive = in_closed_loop(found, unseen)
    late = unseen.time_s - unseen.time_s[0] > 0.3
    print("off the published, %:", np.round(100.0 * (found / PUBLISHED - 1.0), 2))
    print(f"closed loop: {1e6 * np.std((position - unseen.position_m)[late]):.2f} um, force "
          f"{100 * np.linalg.norm((drive - unseen.drive_V)[late]) / np.linalg.norm(unseen.drive_V[late]):.1f} %")  # fmt: skip


if __name__ == "__main__":
    main()
