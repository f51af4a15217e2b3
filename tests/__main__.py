"""All tests: ``python -m tests``, with options of pytest behind it.

What only reckons runs side by side on all cores, at a lower priority. What keeps real time runs
one test after the other: boards, links and the commands that use them beside the reckoning, for they
need little; the bench page with its browser when that is done, for it needs all. The reckoning
part's output follows when it is done.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

BESIDE = ("board", "bridge", "host/test_ports.py", "host/test_stops.py", "hand/test_commands.py")
"""Keeps real time, and needs little."""
ALONE = ("page",)
"""Keeps real time, and needs a quiet computer."""
NOTHING_CHOSEN = 5
"""pytest's exit code where no test was selected: a part may be empty."""
PYTEST = [sys.executable, "-m", "pytest"]


def main() -> int:
    """Run all parts; the first exit code that tells of a failure."""
    options = sys.argv[1:]
    if any(Path(one.split("::")[0]).exists() for one in options):
        sys.exit("python -m tests runs all; for a part: python -m pytest PATH")
    here = Path(__file__).parent
    beside, alone = ([str(here / name) for name in part] for part in (BESIDE, ALONE))
    reckoning = ["-n", "auto", "--dist", "loadfile", str(here)]
    reckoning += [f"--ignore={one}" for one in (*beside, *alone)]
    least = ["nice", "-n", "5"] if shutil.which("nice") else []
    with tempfile.TemporaryFile("w+", encoding="utf-8") as told:
        command = [*least, *PYTEST, *reckoning, *options]
        process = subprocess.Popen(command, stdout=told, stderr=subprocess.STDOUT)
        codes = [subprocess.run([*PYTEST, *beside, *options], check=False).returncode]
        codes.append(process.wait())
        told.seek(0)
        sys.stdout.write(told.read())
        sys.stdout.flush()
    codes.append(subprocess.run([*PYTEST, *alone, *options], check=False).returncode)
    if all(code == NOTHING_CHOSEN for code in codes):
        return NOTHING_CHOSEN
    return next((code for code in codes if code not in (0, NOTHING_CHOSEN)), 0)


if __name__ == "__main__":
    sys.exit(main())
