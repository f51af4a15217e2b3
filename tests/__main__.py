"""All tests: ``python -m tests``, with options of pytest behind it.

In two parts at once: what keeps real time (boards, links, pages, commands that start them) runs one
test after the other; what only reckons runs beside it on all cores at the lowest priority, so that
it takes only what the first leaves. Its output follows when it is done.
"""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

REAL_TIME = (
    "board",
    "bridge",
    "page",
    "host/test_ports.py",
    "host/test_stops.py",
    "hand/test_commands.py",
)
"""What runs one after the other."""


NOTHING_CHOSEN = 5
"""pytest's exit code where no test was selected: one part may be empty."""


def main() -> int:
    """Run both parts; the first exit code that tells of a failure."""
    options = sys.argv[1:]
    if any(Path(one.split("::")[0]).exists() for one in options):
        sys.exit("python -m tests runs all; for a part: python -m pytest PATH")
    here = Path(__file__).parent
    alone = [str(here / name) for name in REAL_TIME]
    beside = ["-n", "auto", "--dist", "loadfile", str(here), *[f"--ignore={one}" for one in alone]]
    pytest = [sys.executable, "-m", "pytest"]
    with tempfile.TemporaryFile("w+", encoding="utf-8") as told:
        least = ["nice", "-n", "19"] if shutil.which("nice") else []
        reckoning = subprocess.Popen([*least, *pytest, *beside, *options], stdout=told, stderr=subprocess.STDOUT)  # fmt: skip
        codes = [subprocess.run([*pytest, *alone, *options], check=False).returncode]
        codes.append(reckoning.wait())
        told.seek(0)
        sys.stdout.write(told.read())
    if all(code == NOTHING_CHOSEN for code in codes):
        return NOTHING_CHOSEN
    return next((code for code in codes if code not in (0, NOTHING_CHOSEN)), 0)


if __name__ == "__main__":
    sys.exit(main())
