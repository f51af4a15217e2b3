"""Files of before: keys and words that were renamed, rewritten to what they are called now.

Joint, hand and scenario files are told apart by their tables. Remarks stay. Digests that held for
the old names are made anew, so that gains and what was identified stay valid.
"""

from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from sim.errors import InputError
from sim.joint.gains import joint_digest
from sim.joint.identified import basis_digest

JOINT = {"motor": {"board_resistance": "amplifier_resistance"}, "drive": {"board": "amplifier"}}
"""Table to old and new key of a joint file."""
MODELS = {"I": 1, "II": 2, "III": 3}
STEPS: dict[tuple[str, str, Any], tuple[str, str]] = {
    ("wiper", "state", "open"): ("inject", "wiper torn off"),
    ("wiper", "state", "shorted"): ("inject", "wiper shorted"),
    ("wiper", "state", "held"): ("inject", "reading stuck"),
    ("wiper", "state", "floating"): ("inject", "wiper floats"),
    ("wiper", "state", "sound"): ("mend", "wiper torn off"),
    ("cut", "cable", "flexor"): ("inject", "closing cable snaps"),
    ("cut", "cable", "extensor"): ("inject", "opening cable snaps"),
    ("motor", "state", "unplugged"): ("inject", "motor unplugged"),
    ("motor", "state", "plugged"): ("mend", "motor unplugged"),
    ("wires", "state", "swapped"): ("inject", "motor wires swapped"),
    ("wires", "state", "right"): ("mend", "motor wires swapped"),
    ("link", "state", "silent"): ("inject", "link silent"),
    ("link", "state", "speaks"): ("mend", "link silent"),
    ("drop", "", None): ("inject", "supply dips"),
    ("load", "", None): ("inject", "steady push"),
    ("late", "", None): ("inject", "loop stalls"),
}
"""Step of before (its word, the key that told more, and its value) to the word of now and the fault."""
REQUESTS = {"ease": "controlled_stop"}


def migrated(text: str) -> tuple[str, list[str]]:
    """A file's text as it is written now, and what was changed, in words. Raises ValueError."""
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise ValueError(f"is not valid TOML: {error}") from None
    told: list[str] = []
    if "scenario" in document:
        _scenario(document, told)
    elif "hand" in document:
        _hand(document, told)
    else:
        _joint(document, told)
    return (tomlkit.dumps(document) if told else text), told


def migrate(path: Path) -> list[str]:
    """Rewrite a file; return what was changed, in words. Raises InputError."""
    from host.files import write_whole
    from sim.reading import read_text

    try:
        text, told = migrated(read_text(path))
    except ValueError as error:
        raise (
            error if isinstance(error, InputError) else InputError(str(path), "", None, str(error))
        ) from None
    if told:
        write_whole(path, text)
    return told


def _renamed(table: Any, where: str, names: dict[str, str], told: list[str]) -> None:
    """Rename keys of a table where they stand, with their remarks."""
    for old, new in names.items():
        if old in table and new not in table:
            _rename(table, old, new)
            told.append(f"{where}.{old} is now {where}.{new}")


def _rename(table: Any, old: str, new: str) -> None:
    kept = [(key, value) for key, value in table.items()]
    for key, _ in kept:
        table.remove(key)
    for key, value in kept:
        table.add(new if key == old else key, value)


def _joint(document: Any, told: list[str]) -> None:
    before = document.unwrap()
    for name, names in JOINT.items():
        if name in document:
            _renamed(document[name], name, names, told)
    _digests(document, before)


def _digests(document: Any, before: dict[str, Any]) -> None:
    """Renew digests that held before the keys were renamed."""
    for name, digest in (("gains", joint_digest), ("identified", basis_digest)):
        own = before.get(name)
        if isinstance(own, dict) and own.get("digest") == digest(before):
            document[name]["digest"] = digest(document.unwrap())


def _hand(document: Any, told: list[str]) -> None:
    for k, row in enumerate(document.get("sequence", [])):
        _renamed(row, f"sequence.{k}", {"seconds": "duration"}, told)
    for k, joint in enumerate(document.get("joint", [])):
        for name, names in JOINT.items():
            if name in joint.get("override", {}):
                _renamed(joint["override"][name], f"joint.{k}.override.{name}", names, told)
    for k, finger in enumerate(document.get("finger", [])):
        for row in finger.get("arms", []):
            for arm in row:
                if isinstance(arm, dict) and "landsmeer" in arm:
                    arm["landsmeer"] = MODELS.get(arm["landsmeer"], arm["landsmeer"])
                    _rename(arm, "landsmeer", "model")
                    told.append(f"finger.{k}.arms: landsmeer is now model, a number")


def _scenario(document: Any, told: list[str]) -> None:
    for k, step in enumerate(document.get("step", [])):
        for (do, key, value), (now, fault) in STEPS.items():
            if step.get("do") == do and (not key or step.get(key) == value):
                step["do"] = now
                if key:
                    step[key] = fault
                    _rename(step, key, "fault")
                else:
                    _after(step, "do", "fault", fault)
                told.append(f'step.{k}: {do} is now {now}, fault "{fault}"')
                break
        if step.get("what") in REQUESTS:
            told.append(f"step.{k}: {step['what']} is now {REQUESTS[step['what']]}")
            step["what"] = REQUESTS[step["what"]]


def _after(table: Any, key: str, new: str, value: object) -> None:
    """Put a key behind another one."""
    kept = [(one, item) for one, item in table.items()]
    for one, _ in kept:
        table.remove(one)
    for one, item in kept:
        table.add(one, item)
        if one == key:
            table.add(new, value)
