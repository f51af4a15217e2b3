"""Text files that people write, read: what cannot be read is said with file and line."""

import tomllib
from pathlib import Path
from typing import Any

from sim.errors import InputError


def read_text(path: str | Path) -> str:
    """Return the text of a file; InputError where it is none or not UTF-8."""
    name = str(path)
    try:
        data = Path(path).read_bytes()
    except IsADirectoryError:
        raise InputError(name, "", None, "is a folder; name a joint file (TOML)") from None
    except FileNotFoundError:
        raise InputError(name, "", None, "no such file; `jointloop new` writes one") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(name, "", None, f"cannot be read: {reason}") from None
    if len(data) > 4_000_000:
        raise InputError(name, "", None, "is larger than 4 MB; this is no joint file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(name, f"line {line}", None, "is not UTF-8 text") from None


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Return the tables of TOML text; InputError names file and place."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, or a number without end
        raise InputError(name, "", None, f"is not valid TOML: {error}") from None
