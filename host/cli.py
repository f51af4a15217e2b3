"""The program's beginning. Small, for processes that a command starts begin here once more.

Exit codes: 0 done; 1 a check failed or a link was lost; 2 bad input (one line says file, key,
value and what is allowed); 70 an error of the program itself (EX_SOFTWARE of sysexits.h, 4.3BSD);
130 interrupted.
"""

import sys
import traceback


def main() -> None:
    """Run a command; bad input is one line and exit code 2, never a traceback."""
    from host.command_line import app
    from sim.errors import InputError

    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal that lacks a letter is no reason to end
            stream.reconfigure(errors="backslashreplace")
    try:
        app()
    except InputError as error:
        from host import lines

        sys.stdout.flush()
        sys.stderr.write("".join(f"jointloop: {one}\n" for one in lines.told(error).split("\n")))
        sys.exit(2)
    except KeyboardInterrupt:
        sys.stderr.write("jointloop: interrupted\n")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(1)
    except OSError as error:  # a full disk, a folder that may not be written to
        sys.stderr.write(f"jointloop: {told(error)}\n")
        sys.exit(2)
    except Exception as error:
        from host.errors import LinkError, StoppedError

        if isinstance(error, StoppedError):
            sys.stderr.write(f"jointloop: stopped: {error}\n")
            sys.exit(1)
        if isinstance(
            error, LinkError
        ):  # a board went away or fell silent: no error of the program
            sys.stderr.write(f"jointloop: the link to a board was lost: {error}\n")
            sys.exit(1)
        traceback.print_exc()  # it shares no code with a result
        sys.stderr.write(
            "jointloop: an error of the program itself; please report the lines above\n"
        )
        sys.exit(70)


def told(error: OSError) -> str:
    """What the system refused, with the file where it names one."""
    where = f"{error.filename}: " if error.filename else ""
    return f"{where}cannot be read or written: {error.strerror or error}"


if __name__ == "__main__":
    main()
