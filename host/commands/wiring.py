"""``jointloop wiring``: board.json and a drawing for the pins of a hand, or of one joint."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Json, Out
from host.commands.shared.terminal import Terminal, plain, quoted
from sim.errors import InputError

if TYPE_CHECKING:
    from host.link.wiring_plan import BoardPlan

EXAMPLE = "wiring hand.toml"


def run(
    path: Annotated[
        Path, typer.Argument(metavar="HAND_OR_JOINT", help="Hand file, with pins; or a joint file.")
    ],
    pins: Annotated[
        str | None,
        typer.Option(
            help="Of a joint file: its pins, converter pins among them; 2,3,26 where left out."
        ),
    ] = None,
    as_json: Json = False,
    out: Out = RUNS,
) -> None:
    """Write board.json, a wiring drawing and a list of parts for these very pins."""
    terminal = Terminal(as_json)
    terminal.say(f"Wiring of {plain(path)} ...")
    from host.commands.shared.loading import slug
    from host.figures.wiring import wiring_drawing
    from host.files import make_folder, write_whole
    from host.link.wiring_plan import board_file, parts_of

    made = plans(path, pins)
    folder = make_folder(out)
    found = []
    for one, files in made:
        stem = (
            f"{slug(one.name)}-board"
            if len(made) > 1 or len(one.wires) > 1
            else f"{slug(one.wires[0].name)}-board"
        )
        board, drawing = folder / f"{stem}.json", folder / f"{stem}-wiring.svg"
        write_whole(board, json.dumps(board_file(one), indent=2) + "\n")
        write_whole(drawing, wiring_drawing(one))
        terminal.say(f"Drawing: {plain(drawing)}\nBoard file: {plain(board)}")
        terminal.table(f"{one.name}: parts", ("", "what", "where"), parts_of(one))
        joints = " ".join(f"--joint {quoted(file)}" for file in files)
        terminal.next(f"jointloop deploy PORT --board {quoted(board)} {joints}".rstrip())
        found.append({"board": str(board), "drawing": str(drawing), "fuse_A": one.fuse_A, "stall_A": one.stall_A,
                      "joints": board_file(one)["joints"]})  # fmt: skip
    terminal.say(
        "Motor supply unplugged until the wiring was checked; nothing near the finger when it is first armed."
    )
    terminal.result({"boards": found})


def plans(path: Path, pins: str | None) -> "list[tuple[BoardPlan, list[Path]]]":
    """The boards of a hand, or the one of a joint, each with the joint files that ``deploy`` takes. Raises InputError."""
    from host.commands.shared.loading import load
    from host.link.wiring_plan import plan
    from sim.errors import together
    from sim.hand.file import read_hand
    from sim.reading import parse_toml, read_text

    if "hand" not in parse_toml(read_text(path), str(path)):
        return [(plan("board", [("", load(path), read_pins(pins or "2,3,26"))], str(path)), [path])]
    if pins is not None:
        raise InputError(
            "", "--pins", pins, "is for a joint file: a hand's pins stand in the hand file"
        )
    hand = read_hand(path)
    found: list[tuple[Any, list[Path]]] = []
    wrong: list[InputError] = []
    for board in hand.boards:
        members = [
            (hand.members[k].name, hand.members[k].joint, hand.members[k].pins)
            for k in board.joints
        ]
        if not members:
            continue
        try:
            found.append((plan(board.name, members, str(path)), []))
        except InputError as error:
            wrong += error.all
    if wrong:
        raise together(wrong)
    return found


def read_pins(text: str) -> tuple[int, ...]:
    """Pins of an option. Raises InputError."""
    try:
        found = tuple(int(one) for one in text.split(","))
    except ValueError:
        raise InputError(
            "", "--pins", text, "must be numbers with commas, such as 2,3,26"
        ) from None
    if len(set(found)) < len(found) or not all(0 <= one <= 47 for one in found):
        raise InputError("", "--pins", text, "must be different pins from 0 to 47")
    return found
