"""What can be made to go wrong on a virtual board while it runs: words typed."""

from sim.errors import InputError
from sim.run.injected import Row, board_words
from sim.schema import nearest

WORDS = board_words()


def read_words(line: str, joints: int) -> tuple[int, list[Row]]:
    """Return joint number and what to inject of a line such as "supply dips 2". Raises InputError.

    The beginning of a fault's name will do where no other begins so.
    """
    *words, last = line.split() or [""]
    number = last if last.isdecimal() else "0"
    given = " ".join(words if last.isdecimal() else [*words, last])
    found = [given] if given in WORDS else [one for one in WORDS if given and one.startswith(given)]
    if len(found) != 1:
        raise InputError(
            "", "", line, "unknown fault; " + nearest(given, list(WORDS)) + "; then a joint number"
        )
    if int(number) >= joints:
        raise InputError("", "", number, f"must be a joint number, 0 .. {joints - 1}")
    return int(number), WORDS[found[0]][0]


def help_lines() -> list[str]:
    """One line for each fault."""
    return [f"  {word:20s} {meaning}" for word, (_, meaning) in WORDS.items()]
