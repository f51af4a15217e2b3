"""What a bench page is opened for: joint files, or one hand file with its boards."""

import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from controller.joint.settings.settings import Settings
    from sim.hand.file import Hand
    from sim.run.closed_loop import Joint


def is_hand(paths: list[str]) -> bool:
    """Whether the only file is a hand file (quick: before anything is imported for it)."""
    if len(paths) != 1:
        return False
    try:
        return "hand" in tomllib.loads(Path(paths[0]).read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return False  # whoever reads it says what is wrong


def read(paths: list[str]) -> "tuple[list[Joint], Hand | None]":
    """The joints, a hand's in the order of its boards with their crossing cables. Raises InputError."""
    if not is_hand(paths):
        from host.commands.shared.loading import load

        return [load(Path(path)) for path in paths], None
    from dataclasses import replace

    from host.virtual.hand_boards import order_of, settings_of
    from sim.hand.file import read_hand

    hand = read_hand(Path(paths[0]))
    order = order_of(hand)
    rows = settings_of(hand, order)
    joints = []
    for place, k in enumerate(order):
        member = hand.members[k]
        file = member.joint.file
        named = file.model_copy(
            update={"joint": file.joint.model_copy(update={"name": member.name})}
        )
        joint = replace(member.joint, file=named, settings=rows[place])
        joints.append(joint)
    return joints, hand


def low_force(joint: "Joint", share: float) -> "Settings":
    """The settings of a joint with its fingertip force limit lowered to a share."""
    from controller.records import copy
    from sim.run.closed_loop import joint_of

    tables = {key: value for key, value in joint.tables.items() if key != "limits"}
    tables["limits"] = {**joint.tables["limits"],
                        "tip_force": f"{share * joint.file.limits.tip_force!r} N"}  # fmt: skip
    if "gains" in tables:
        tables["gains"] = {k: v for k, v in tables["gains"].items() if k != "digest"}
    made = joint_of(tables, joint.path).settings
    copy(joint.settings.across, made.across)
    return made
