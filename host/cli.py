"""The program's beginning. Small, for processes that a command starts begin here once more.

Exit codes: 0 done; 1 a check failed; 2 bad input (one line says file, key,
value and what is allowed); 130 interrupted.
"""

import sys


def main() -> None:
    """Run a command; bad input is one line and exit code 2, never a traceback."""
    from host.arguments import app
    from sim.errors import InputError

    try:
        app()
    except InputError as error:
        sys.stdout.flush()
        sys.stderr.write(f"jointloop: {error}\n")
        sys.exit(2)
    except KeyboardInterrupt:
        sys.stderr.write("jointloop: interrupted\n")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(1)


if __name__ == "__main__":
    main()
