"""All tests: ``python -m tests``, with options of pytest behind it.

In two passes: what only reckons runs side by side on all cores; what keeps real time (boards,
links, pages, commands that start them) runs alone after that, for a busy computer would be late.
"""

import subprocess
import sys
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
"""pytest's exit code where no test was selected: one pass may be empty."""


def main() -> int:
    """Run both passes, whatever the first says; the first exit code that tells of a failure."""
    options = sys.argv[1:]
    if any(Path(one.split("::")[0]).exists() for one in options):
        sys.exit("python -m tests runs all; for a part: python -m pytest PATH")
    here = Path(__file__).parent
    alone = [str(here / name) for name in REAL_TIME]
    beside = ["-n", "auto", "--dist", "loadfile", str(here), *[f"--ignore={one}" for one in alone]]
    codes = [
        subprocess.run([sys.executable, "-m", "pytest", *some, *options], check=False).returncode
        for some in (beside, alone)
    ]
    if all(code == NOTHING_CHOSEN for code in codes):
        return NOTHING_CHOSEN
    return next((code for code in codes if code not in (0, NOTHING_CHOSEN)), 0)


if __name__ == "__main__":
    sys.exit(main())
