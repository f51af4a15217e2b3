"""What a hand needs against what there is: supply, ticks, link, heat, cost, mass.

    supply      E - R I(t), I of all motors in step through a sequence (``coupled.py``)
    ticks       joints of a board x measured cost of one, against the tick's period
    link        octets a second of telemetry, beats and setpoints, against the port's
    heat        a sequence repeated continuously: mean Joule heat through both thermal resistances
Each row says what breaks first, and what to change. What is simulated is also run with hands whose
parts are drawn from the spread; the ranges told are the least and the greatest of them: of n equally
likely hands, one more lies between with probability (n - 1)/(n + 1), by symmetry.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from controller.joint import heat
from sim.hand.coupled import HandRun, scenarios, simulate_hand
from sim.hand.file import Hand, Sequence
from sim.joint import datasheet, spread
from sim.joint.part import Part
from sim.size.findings import Finding

SHARE_OF_TICK = 0.7
"""Share of a tick that the joints may take: telemetry and collection need the rest (board study)."""
SHARE_OF_LINK = 0.7
ROWS_HZ, FIELDS = 200.0, 5
"""Telemetry that a hand is watched by: rows a second, fields of each joint."""
BEAT_S, SETPOINT_HZ = 0.02, 50.0
DRAWN = 24
"""Hands drawn from the spread."""


@dataclass
class SequenceBudget:
    """One sequence of postures. SI with units in the names."""

    name: str
    peak_A: float
    mean_A: float
    lowest_bus_V: float
    margin_V: float
    """Lowest bus voltage over what boards need: of the worst hand drawn."""
    hottest_C: list[float]
    """Winding of each joint where the sequence is repeated continuously."""
    faults: dict[str, str]
    """Joints that tripped, and by what."""
    disturbed_rad: list[float]
    """Largest distance from the setpoint, joint by joint."""
    drawn: int = 0
    """Hands with drawn parts behind the ranges."""
    peak_A_range: tuple[float, float] = (0.0, 0.0)
    lowest_bus_V_range: tuple[float, float] = (0.0, 0.0)
    hottest_C_range: tuple[float, float] = (0.0, 0.0)
    """Of a hand, the winding nearest to where it is slowed down."""
    worst_V: float = 0.0
    """Open-circuit voltage of the drawn hand whose bus sags lowest."""
    overpulled: dict[str, str] = field(default_factory=dict)
    """Joints whose cable was pulled with more than is allowed, and what to say of it."""
    tripped_hands: int = 0
    """Of the drawn hands, how many had a joint that tripped."""


@dataclass
class BoardBudget:
    """One board: share of the tick and of the link that is taken."""

    name: str
    joints: int
    tick_share: float
    octets_s: float
    link_share: float


@dataclass
class HandBudget:
    """All budgets of a hand and what they mean."""

    sequences: list[SequenceBudget]
    boards: list[BoardBudget]
    cost: float | None
    mass_kg: float | None
    findings: list[Finding] = field(default_factory=list)
    runs: list[HandRun] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """The budgets as a plain dictionary."""
        found = {"sequences": [_finite(asdict(one)) for one in self.sequences],
                 "boards": [asdict(one) for one in self.boards], "cost": self.cost,
                 "mass_kg": self.mass_kg}  # fmt: skip
        return {
            **found,
            "findings": [{"weight": one.weight, "text": one.text} for one in self.findings],
        }


def _finite(value: Any) -> Any:
    """What has no end becomes None."""
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def board_budget(hand: Hand) -> list[BoardBudget]:
    """Ticks and link of every board."""
    rows = []
    for board in hand.boards:
        count = len(board.joints)
        if not count:
            rows.append(BoardBudget(board.name, 0, 0.0, 0.0, 0.0))
            continue
        tick = hand.members[board.joints[0]].joint.settings.tick_s
        row = 4 + 4 * FIELDS * count + 2  # the tick once a row; head and check spread over 8 rows
        octets = 1.06 * (ROWS_HZ * row + 28.0 / BEAT_S + SETPOINT_HZ * (10 + 4 * count))
        link = octets / board.link_octets_s if board.link_octets_s > 0.0 else float("inf")
        rows.append(BoardBudget(board.name, count, count * board.tick_cost_s / tick, octets, link))
    return rows


def repeated_heat(hand: Hand, run: HandRun, parts: list[Part] | None = None) -> list[float]:
    """Winding temperature (degC) of each joint where its sequence never ends.

    T = T_air + (R_wc + R_ca) I_rms^2 R(T), copper R(T) linear in T: solved for T.
    """
    current = run.column("current_A")
    found = []
    for k, member in enumerate(hand.members):
        part = parts[k] if parts else member.joint.part
        square = float(np.mean(current[k] ** 2))
        through = part.heat.winding_K_W + part.heat.case_K_W
        cold = heat.resistance(part.motor.resistance_25_ohm, part.heat.air_C)
        slope = part.motor.resistance_25_ohm / 259.5
        gain = through * square
        rise = gain * cold / (1.0 - gain * slope) if gain * slope < 1.0 else float("inf")
        found.append(part.heat.air_C + rise)
    return found


def nearest_to_warm(hand: Hand, hot_C: list[float]) -> int:
    """The joint whose winding is nearest to (or furthest over) where it is slowed down."""
    return int(np.argmax([hot - member.joint.settings.heat.warm_C
                          for hot, member in zip(hot_C, hand.members, strict=True)]))  # fmt: skip


def drawn_hands(hand: Hand, count: int, seed: int) -> list[list[Part]]:
    """Parts of all joints of some hands, each drawn from its joint's spread.

    A hand has one supply: its voltage is drawn once, its resistance is the file's.
    """
    every = []
    for k, member in enumerate(hand.members):
        entries = spread.spread_of(member.joint.file)
        every.append(spread.draw_parts(member.joint.part, entries, count, seed + 1000 * k)[0])
    hands = [list(parts) for parts in zip(*every, strict=True)]
    for parts in hands:
        for part in parts:
            part.supply_V, part.supply_ohm = parts[0].supply_V, hand.supply_ohm
    return hands


def _ranged(hand: Hand, sequence: Sequence, made: SequenceBudget, seed: int, count: int) -> None:
    """Put the ranges over drawn hands into a budget; its margin is then the worst of them."""
    scenes = scenarios(hand, sequence)
    rows = []
    for number, parts in enumerate(drawn_hands(hand, count, seed)):
        run = simulate_hand(hand, scenes, parts, seed + number)
        hot = repeated_heat(hand, run, parts)
        rows.append((run.supply_A.max(), run.bus_V.min(), hot[nearest_to_warm(hand, hot)],
                     float((run.scores["fault"] != 0).any()),
                     parts[0].supply_V))  # fmt: skip
    table = np.array(rows)
    made.worst_V = float(table[int(np.argmin(table[:, 1])), 4])
    ends = [(float(low), float(high)) for low, high in zip(table.min(axis=0), table.max(axis=0), strict=True)]  # fmt: skip
    made.drawn = count
    made.peak_A_range, made.lowest_bus_V_range, made.hottest_C_range = ends[:3]
    made.tripped_hands = int(table[:, 3].sum())
    made.margin_V = min(made.margin_V, made.lowest_bus_V_range[0] - hand.lowest_V)


def sequence_budget(
    hand: Hand, sequence: Sequence, seed: int = 1, drawn: int = DRAWN
) -> tuple[SequenceBudget, HandRun]:
    """Run a sequence in step and say what it takes, and over drawn hands. Raises InputError."""
    from sim.run.metrics import fault_names

    run = simulate_hand(hand, scenarios(hand, sequence), seed=seed)
    names = fault_names()
    settled = round(0.3 / run.tick_s)
    away = np.abs(run.column("setpoint_rad") - run.column("joint_rad"))[:, settled:]
    tripped = {hand.members[k].name: names[int(number)]
               for k, number in enumerate(run.scores["fault"]) if number != 0}  # fmt: skip
    low = float(run.bus_V.min())
    made = SequenceBudget(
        sequence.name, float(run.supply_A.max()), float(run.supply_A.mean()), low,
        low - hand.lowest_V, repeated_heat(hand, run), tripped, away.max(axis=1).tolist(),
    )  # fmt: skip
    for member, pull in zip(hand.members, run.plants["peak_cable_N"], strict=True):
        said = datasheet.overpull(member.joint.file, float(pull))
        if said is not None:
            made.overpulled[member.name] = said
    if drawn:
        _ranged(hand, sequence, made, seed, drawn)
    return made, run


def budget(hand: Hand, seed: int = 1) -> HandBudget:
    """All budgets of a hand. Raises InputError."""
    made = [sequence_budget(hand, one, seed) for one in hand.sequences]
    costs = [member.cost for member in hand.members]
    masses = [member.mass_kg for member in hand.members]
    found = HandBudget(
        [one for one, _ in made], board_budget(hand),
        None if None in costs else float(sum(one or 0.0 for one in costs)),
        None if None in masses else float(sum(one or 0.0 for one in masses)),
        runs=[run for _, run in made],
    )  # fmt: skip
    found.findings = [*_supply(hand, found), *_boards(hand, found), *heat_findings(hand, found), *_limits(hand, found)]  # fmt: skip
    return found


def _supply(hand: Hand, found: HandBudget) -> list[Finding]:
    rows = []
    for one in found.sequences:
        low = one.margin_V + hand.lowest_V
        text = (f'"{one.name}" draws {one.peak_A:.1f} A at most ({one.peak_A_range[0]:.1f} to {one.peak_A_range[1]:.1f} '
                f"over {one.drawn} drawn hands), {one.mean_A:.2f} A on average; the supply sags to {low:.2f} V with the "
                f"worst of them, {one.margin_V:+.2f} V over what boards need.")  # fmt: skip
        if one.margin_V < 0.0:
            open_V = one.worst_V if low < one.lowest_bus_V else hand.supply_V
            most = (open_V - hand.lowest_V) / max(one.peak_A_range[1], one.peak_A, 1e-9)
            cure = (f" The supply and its wires may have {most * 1e3:.0f} mohm at most (here "
                    f"{hand.supply_ohm * 1e3:.0f}), or let fewer joints start at once.")  # fmt: skip
            if most < 0.0:
                cure = f" That supply gives {open_V:.2f} V without load: choose a closer tolerance or more voltage."
            rows.append(Finding("warning", text + " Boards brown out." + cure))
        else:
            rows.append(Finding("note" if one.margin_V < 0.3 else "good", text))
        for name, fault in one.faults.items():
            rows.append(Finding("warning", f'"{one.name}": {name} tripped: {fault}.'))
        for name, text in one.overpulled.items():
            rows.append(Finding("warning", f'"{one.name}", {name}: {text}'))
        if one.tripped_hands and not one.faults:
            rows.append(Finding("warning", f'"{one.name}": a joint tripped in {one.tripped_hands} of {one.drawn} hands '
                                "drawn from the spread: slow the sequence down, or tune with more margin."))  # fmt: skip
    return rows


def _boards(hand: Hand, found: HandBudget) -> list[Finding]:
    rows = []
    for one in found.boards:
        text = (f"Board {one.name}: {one.joints} joints take {100 * one.tick_share:.0f} % of the tick (an estimate "
                f"from the cost given) and {100 * one.link_share:.0f} % of the link.")  # fmt: skip
        if one.tick_share > SHARE_OF_TICK:
            rows.append(Finding("warning", text + f" More than {100 * SHARE_OF_TICK:.0f} % will be late: move joints "
                                "to another board, or lower control.rate."))  # fmt: skip
        elif one.link_share > SHARE_OF_LINK:
            rows.append(Finding("warning", text + " Ask for fewer rows, or use a faster port."))
        else:
            rows.append(Finding("good", text))
    apart = [f"{hand.members[k].name} over {hand.members[j].name}" for finger in hand.fingers
             for a, k in enumerate(finger.joints) for b, j in enumerate(finger.joints)
             if finger.arms[a, b, 0] != 0.0 and hand.members[k].board != hand.members[j].board]  # fmt: skip
    if apart:
        rows.append(Finding("warning", "Cables cross joints of another board, whose motion their controller cannot "
                            f"know: {', '.join(apart)}. Put a finger's joints on one board."))  # fmt: skip
    return rows


def heat_findings(hand: Hand, found: HandBudget) -> list[Finding]:
    """What the windings mean, sequence by sequence: each against its own limit."""
    rows = []
    for one in found.sequences:
        k = nearest_to_warm(hand, one.hottest_C)
        warm = hand.members[k].joint.settings.heat.warm_C
        text = (f'"{one.name}" repeated continuously: the winding nearest to its limit is {hand.members[k].name}, '
                f"{_degC(one.hottest_C[k])} of {warm:.0f} ({_degC(one.hottest_C_range[0])} to "
                f"{_degC(one.hottest_C_range[1])} over the drawn hands).")  # fmt: skip
        over = max(one.hottest_C[k], one.hottest_C_range[1]) > warm
        rows.append(Finding("warning" if over else "good",
                            text + (" It will be slowed down: rest between repeats." if over else "")))  # fmt: skip
    return rows


def _degC(value: float) -> str:
    return f"{value:.0f} degC" if np.isfinite(value) else "without end"


def _limits(hand: Hand, found: HandBudget) -> list[Finding]:
    rows = []
    for what, have, limit, unit in (("cost", found.cost, hand.cost_limit, ""),
                                    ("mass", found.mass_kg, hand.mass_limit_kg, " kg")):  # fmt: skip
        if have is None:
            rows.append(Finding("note", f"The {what} is not known: not every joint gives it."))
        elif limit is not None:
            rows.append(Finding("good" if have <= limit else "warning",
                                f"The joints' {what} is {have:.4g}{unit} of {limit:.4g}{unit} allowed."))  # fmt: skip
    return rows
