"""``python -m host.virtual.board_process RUNTIME``: a virtual board of another process of jointloop."""

import json
import sys

from host.virtual.starting import take


def main() -> None:
    """Load what a board needs, take the job, serve until standard input ends."""
    runtime = sys.argv[1]
    from host.virtual import board, loop  # noqa: F401  while the other process still reads its joints
    from sim.run import kernels

    kernels.twin()
    from host.virtual.serving import end_with_input, serve

    line = sys.stdin.readline()
    if not line:
        return
    end_with_input()
    try:
        serve(take(line), runtime, None, True)
    except KeyboardInterrupt:
        return
    except Exception as error:  # the process that began it says so
        print(json.dumps({"failed": str(error)}), flush=True)


if __name__ == "__main__":
    main()
