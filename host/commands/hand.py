"""``jointloop hand``: the whole hand: budgets, coupled simulation, report; or streamed to its boards."""

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from host.commands.shared.arguments import RUNS, Folder, Json, Out, Ports, Runtime, Seed, Yes
from host.commands.shared.terminal import Terminal, plain
from sim.errors import InputError
from sim.units import DEG

if TYPE_CHECKING:
    from host.link.moves import Move
    from sim.hand.budget import HandBudget
    from sim.hand.file import Hand, Sequence

MARK = {
    "good": "[green]good[/green]",
    "note": "[cyan]note[/cyan]",
    "warning": "[bold red]warning[/bold red]",
}
RATE_HZ = 50.0


EXAMPLE = "hand hand.toml --report"


def run(
    path: Annotated[Path, typer.Argument(metavar="HAND", help="Hand file (TOML).")],
    report: Annotated[
        bool,
        typer.Option("--report", help="Also write one HTML page, the hand and joint by joint."),
    ] = False,
    stream: Annotated[
        bool, typer.Option("--stream", help="Stream a sequence of postures to the boards instead.")
    ] = False,
    sequence: Annotated[
        str | None, typer.Option(help="Stream: name of the sequence; left out, the first.")
    ] = None,
    port: Ports = None,
    runtime: Runtime = "cpython",
    yes: Yes = False,
    folder: Folder = None,
    seed: Seed = 1,
    as_json: Json = False,
    out: Out = RUNS,
) -> int:
    """Reckon a whole hand: supply, ticks, link, heat, cost; or stream postures to its boards."""
    terminal = Terminal(as_json)
    if stream:
        return stream_postures(
            terminal, path, sequence, port or [], runtime, yes, folder, seed, out
        )
    terminal.say(f"Reckoning {plain(path)} ...")
    from host.commands.shared.loading import slug
    from host.figures.hand import budget_figure
    from host.figures.look import save
    from host.files import make_folder
    from sim.hand.budget import budget
    from sim.hand.file import read_hand

    hand = read_hand(path)
    folder = make_folder(out)
    found = budget(hand, seed)
    figure = save(budget_figure(hand, found), folder / f"{slug(hand.name)}-budget.png")
    terminal.say(f"Figure: {plain(figure)}")
    show(terminal, hand, found)
    written = None
    if report:
        written = str(write(hand, found, folder / f"{slug(hand.name)}-report.html"))
        terminal.say(f"Report: {plain(written)}")
    terminal.result(
        {"hand": hand.name, "figure": str(figure), "report": written, **found.as_dict()}
    )
    return 1 if any(one.weight == "warning" for one in found.findings) else 0


def show(terminal: Terminal, hand: "Hand", found: "HandBudget") -> None:
    """Print tables and findings."""
    if found.sequences:
        terminal.table("Supply: as drawn in the files, and over hands drawn from the spread",
                       ("sequence", "peak", "over hands", "mean", "lowest bus", "over hands", "margin"),
                       [(one.name, f"{one.peak_A:.2f} A", _span(one.peak_A_range, "A"), f"{one.mean_A:.2f} A",
                         f"{one.lowest_bus_V:.2f} V", _span(one.lowest_bus_V_range, "V"),
                         f"{one.margin_V:+.2f} V") for one in found.sequences])  # fmt: skip
    terminal.table("Boards", ("board", "joints", "tick", "octets/s", "link"),
                   [(one.name, one.joints, f"{100 * one.tick_share:.0f} %", f"{one.octets_s:.0f}",
                     f"{100 * one.link_share:.0f} %") for one in found.boards])  # fmt: skip
    if found.sequences:
        rows = []
        for k, member in enumerate(hand.members):
            rows.append((member.name, hand.boards[member.board].name,
                         " ".join(map(str, member.pins)),
                         f"{max(one.disturbed_rad[k] for one in found.sequences) / DEG:.1f} deg",
                         f"{max(one.hottest_C[k] for one in found.sequences):.0f} degC"))  # fmt: skip
        terminal.table("Joints", ("joint", "board", "pins", "furthest off", "winding"), rows)
    terminal.heading("What fits, what breaks first, and what to change")
    terminal.remarks([(MARK[one.weight], plain(one.text)) for one in found.findings])


def _span(ends: tuple[float, float], unit: str) -> str:
    return f"{ends[0]:.2f} .. {ends[1]:.2f} {unit}"


def write(hand: "Hand", found: "HandBudget", path: Path) -> Path:
    """The report: the hand as a whole, then joint by joint."""
    from host.figures.hand import budget_figure
    from host.figures.look import as_svg
    from host.figures.size import size_figure
    from host.report import Section, write_report
    from sim.size.figures import size

    boards = [(one.name, one.joints, f"{100 * one.tick_share:.0f} %", f"{100 * one.link_share:.0f} %")
              for one in found.boards]  # fmt: skip
    sections = [Section("The hand as a whole", "", [(as_svg(budget_figure(hand, found)),
                        "Supply, angles, boards and heat through the hardest sequence.")],
                        ["board", "joints", "tick", "link"], boards, found.findings)]  # fmt: skip
    drawn: dict[str, Any] = {}
    for k, member in enumerate(hand.members):
        joint = member.joint
        kind = repr(sorted(joint.tables.items(), key=str))
        if kind not in drawn:  # alike joints share one calculation
            mine = size(joint)
            drawn[kind] = (mine, as_svg(size_figure(joint, mine)))
        mine, svg = drawn[kind]
        rows = [("board and pins", f"{hand.boards[member.board].name}, {', '.join(map(str, member.pins))}"),
                ("no-load speed", f"{mine.no_load_speed_rad_s / DEG:.0f} deg/s"),
                ("fingertip force, limit", f"{mine.force_limit_N:.2f} N"),
                ("cable at the limit", f"{mine.cable_at_limit_N:.1f} N"),
                ("angle resolution", f"{mine.angle_effective_rad / DEG:.2f} deg")]  # fmt: skip
        for one in found.sequences:
            rows.append((f"furthest off in {one.name}", f"{one.disturbed_rad[k] / DEG:.1f} deg"))
        sections.append(Section(member.name, joint.file.joint.name, [(svg, "What these parts give.")],
                                ["", "value"], rows, mine.findings))  # fmt: skip
    return write_report(
        path, hand.name, "Budgets and figures of a hand, before it is built.", sections
    )


def stream_postures(terminal: Terminal, path: Path, sequence: str | None, ports: list[str], runtime: str,
                    yes: bool, folder: Path | None, seed: int, out: Path) -> int:  # fmt: skip
    """Stream a sequence of postures to all boards, all joints in step; return the exit code."""
    from host.commands.shared.loading import slug
    from host.commands.stream import record_stream
    from host.link.session import Session, new_folder
    from host.link.setpoint_stream import check_budget
    from host.virtual.hand_boards import couples, open_boards, order_of, settings_of
    from sim.hand.file import read_hand

    hand = read_hand(path)
    known = [one.name for one in hand.sequences]
    if not known or (sequence is not None and sequence not in known):
        raise InputError(
            "", "--sequence", sequence, "must be one of " + ", ".join(known or ["(none)"])
        )
    chosen = hand.sequences[known.index(sequence) if sequence else 0]
    if not ports and not couples(hand, ports):
        terminal.say(
            "Virtual joints move each for itself here: no crossing cables, no common supply."
        )
    terminal.say(f'Streaming "{plain(chosen.name)}" to {len(hand.boards)} board(s), {len(hand.members)} '
                 "joints in step. A trip of one joint, or Ctrl-C, stops all of them.")  # fmt: skip
    with contextlib.ExitStack() as stack:
        urls = open_boards(hand, ports, runtime, seed, stack)
        order = order_of(hand)
        joints = [hand.members[k].joint for k in order]
        session = stack.enter_context(Session(joints, urls, runtime, seed))
        session.send_settings(settings_of(hand, order))
        check_budget(session, RATE_HZ)
        target = folder or new_folder(out, slug(hand.name) + "-hand")
        more = {
            "hand": hand.name,
            "sequence": chosen.name,
            "names": [hand.members[k].name for k in order],
        }
        return record_stream(terminal, session, moves_of(hand, chosen, order), RATE_HZ, 1, target, yes,
                             seed, more=more)  # fmt: skip


def moves_of(hand: "Hand", sequence: "Sequence", order: list[int]) -> "dict[int, Move]":
    """The sequence as moves, all joints of a posture arriving together."""
    import numpy as np

    from host.link.moves import sampled
    from sim.hand.coupled import scenarios
    from sim.model import schedule
    from sim.run.scenarios import LEAD_S

    moves = {}
    for number, k in enumerate(order):
        scene = scenarios(hand, sequence)[k]
        rows = [row for row in scene.rows if row[1] == schedule.STREAM]
        times, angles, speeds = [0.0], [scene.start_rad], [0.0]
        for at, _, angle, speed, _ in rows:
            t = at - LEAD_S
            if t - times[-1] > 0.03:  # it stood still until now
                times.append(t - 0.02)
                angles.append(angles[-1])
                speeds.append(0.0)
            times.append(t)
            angles.append(angle)
            speeds.append(speed)
        times.append(max(sequence.duration_s, times[-1] + 0.02))
        angles.append(angles[-1])
        speeds.append(0.0)
        moves[number] = sampled(sequence.name, np.array(times), np.array(angles), np.array(speeds))
    return moves
