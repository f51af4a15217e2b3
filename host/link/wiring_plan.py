"""A board's wiring from the joints on it and their pins: board.json, and what hangs on each pin."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from host.link.wiring import ROUNDING
from sim.errors import InputError, together

if TYPE_CHECKING:
    from sim.run.closed_loop import Joint

CONVERTER = frozenset((26, 27, 28, 29, *range(40, 48)))
"""Pins that read a voltage: RP2040 and RP2350 (the last eight on the larger package)."""
FUSES_A = (
    0.5,
    0.63,
    0.8,
    1.0,
    1.25,
    1.6,
    2.0,
    2.5,
    3.15,
    4.0,
    5.0,
    6.3,
    8.0,
    10.0,
    12.5,
    16.0,
    20.0,
)
"""Ratings that fuses come in (the R10 series, IEC 60127 as far as it goes; from memory)."""
INPUT_OHM = "10 kohm"
PULL_DOWN = "470 kohm"


@dataclass(frozen=True)
class JointWires:
    """One joint: its name, pins, and parts beside them."""

    name: str
    joint: "Joint"
    out: tuple[int, ...]
    wipers: tuple[int, ...]

    @property
    def pulse(self) -> bool:
        """Whether one pin gives pulses to the motor's own amplifier."""
        return self.joint.file.drive.kind == "pulse"

    @property
    def pull_down(self) -> str:
        """Resistor from the wiper to ground; the file's, or what it should be."""
        ohm = self.joint.file.sensor.pull_down
        return PULL_DOWN if ohm is None else f"{ohm / 1e3:.4g} kohm"

    @property
    def capacitor(self) -> str:
        """From the wiper to ground."""
        return f"{1e9 * self.joint.file.sensor.capacitance:.4g} nF"


@dataclass(frozen=True)
class BoardPlan:
    """A board: its joints' wires, the fuse of its motors' supply (A), the supply (V)."""

    name: str
    wires: tuple[JointWires, ...]
    supply_V: float
    fuse_A: float
    stall_A: float


def plan(name: str, members: "list[tuple[str, Joint, tuple[int, ...]]]", where: str) -> BoardPlan:
    """Give each pin of each joint its use. Raises InputError with all that does not fit.

    members: name, joint, pins; where: the file, for errors.
    """
    wires, wrong = [], []
    for label, joint, pins in members:
        out = tuple(pin for pin in pins if pin not in CONVERTER)
        wipers = tuple(pin for pin in pins if pin in CONVERTER)
        kind = joint.file.drive.kind
        wanted = {"bridge": 2, "pulse": 1}.get(kind)
        key = f"joint.{label}.pins" if label else "--pins"
        shown = ", ".join(map(str, pins))
        if wanted is None:
            wrong.append(
                InputError(
                    where,
                    key,
                    shown,
                    f'drive.kind = "{kind}" is for simulation; no board drives it',
                )
            )
            continue
        if len(out) != wanted:
            wrong.append(InputError(where, key, shown, f"drive.kind = {kind!r} needs {wanted} output pin(s) that are no "
                                    f"converter's; here are {len(out)}"))  # fmt: skip
        if len(wipers) != joint.file.sensor.wipers:
            wrong.append(InputError(where, key, shown, f"needs {joint.file.sensor.wipers} converter pin(s) (26 .. 29, on larger "
                                    f"chips 40 .. 47); here are {len(wipers)}"))  # fmt: skip
        wires.append(JointWires(label or joint.file.joint.name, joint, out, wipers))
    if len({round(one.joint.settings.tick_s * 1e6) for one in wires}) > 1:
        wrong.append(
            InputError(
                where,
                f"board {name}",
                None,
                "its joints have different rates: one board, one [control] rate",
            )
        )
    if wrong:
        raise together(wrong)
    from sim.size.figures import stall_current

    stall = sum(stall_current(one.joint.part) for one in wires)
    fuse = next((one for one in FUSES_A if one >= stall), FUSES_A[-1])
    return BoardPlan(name, tuple(wires), wires[0].joint.file.drive.supply, fuse, stall)


def board_file(one: BoardPlan) -> dict[str, Any]:
    """board.json of a plan, with what bounds each joint's force."""
    from controller.joint.settings.contradictions import rest_voltage

    rows = []
    for wires in one.wires:
        s = wires.joint.settings
        row: dict[str, Any] = {"name": wires.name, "wiper": wires.wipers[0]}
        if len(wires.wipers) > 1:
            row["second_wiper"] = wires.wipers[1]
        row["out"] = [wires.out[0], None if wires.pulse else wires.out[1]]
        row["oversampling"] = wires.joint.file.sensor.oversampling
        row["rest_V"] = round(ROUNDING * rest_voltage(s), 6)
        row["emf_V_s"] = round(ROUNDING * s.limits.back_emf_V_s, 6)
        rows.append(row)
    tick_s = one.wires[0].joint.settings.tick_s
    return {"tick_us": round(tick_s * 1e6), "nominal_V": one.supply_V, "joints": rows}


def parts_of(one: BoardPlan) -> list[tuple[str, str, str]]:
    """What to buy and solder for a board: how many, what, where."""
    rows: dict[tuple[str, str], int] = {
        ("board of the RP2040 or RP2350 class", one.name): 1,
        (
            f"fuse, at most {one.fuse_A:g} A",
            f"motor supply: all motors stalled draw {one.stall_A:.2g} A",
        ): 1,
        ("switch", "motor supply, within your reach"): 1,
    }
    for wires in one.wires:
        for what, where, count in (
            (
                f"resistor {wires.pull_down}",
                "each wiper to the converter's ground",
                len(wires.wipers),
            ),
            (
                f"capacitor {wires.capacitor}",
                "each wiper to the converter's ground",
                len(wires.wipers),
            ),
            (f"resistor {INPUT_OHM}", "each bridge or pulse input to ground", len(wires.out)),
            (
                "H bridge, two inputs and an enable",
                "each motor without an amplifier of its own",
                0 if wires.pulse else 1,
            ),
            (
                "two equal resistors",
                "in the place of each amplifier's potentiometer",
                1 if wires.pulse else 0,
            ),
        ):
            rows[what, where] = rows.get((what, where), 0) + count
    return [(str(count), what, where) for (what, where), count in rows.items() if count]
