"""The wiring of a board as a drawing: its pins, each joint's potentiometer and drive, the motors' supply."""

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from host.link.wiring_plan import BoardPlan, JointWires

WIDTH, TOP, ROW = 1180, 190, 260
INK, FILL, SIGNAL, POWER = "#16202a", "#eef3f7", "#0060a0", "#b3261e"


def wiring_drawing(one: "BoardPlan") -> str:
    """An SVG of a board's wiring, as text."""
    height = TOP + ROW * len(one.wires) + 70
    title = f"{one.name}: wiring"
    made = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" font-family="sans-serif" font-size="14" '
        'role="img" aria-labelledby="t">',
        f'<title id="t">{escape(title)}: pins, pull-downs, fuse, switch, reference and enable</title>',
        f'<rect width="{WIDTH}" height="{height}" fill="#ffffff"/>',
        _text(24, 32, title, 19, bold=True),
    ]
    made += _supply(one)
    board_top, board_high = TOP - 20, ROW * len(one.wires) + 30
    made += [_box(470, board_top, 210, board_high), _text(575, board_top + 22, "board", 14, "middle", bold=True),
             _text(575, board_top + 40, "RP2040 or RP2350", 12, "middle")]  # fmt: skip
    for k, wires in enumerate(one.wires):
        made += _sensor(wires, TOP + ROW * k + 40) + _drive(wires, TOP + ROW * k + 40)
    for k, words in enumerate(
        (
            "Motor supply last on, first off. Motor and sensor wires apart, each pair twisted.",
            "All grounds meet at the battery's minus, none through a sensor's wire.",
        )
    ):
        made.append(_text(24, height - 36 + 20 * k, words, 13))  # fmt: skip
    return "\n".join([*made, "</svg>\n"])


def _supply(one: "BoardPlan") -> list[str]:
    """Battery, fuse, switch, and the rail to all drives."""
    y = 72
    bottom = TOP + ROW * (len(one.wires) - 1) + 70
    return [
        _box(560, y, 120, 54), _text(620, y + 24, "battery", 14, "middle"), _text(620, y + 43, f"{one.supply_V:g} V", 12, "middle"),
        _box(730, y, 110, 54), _text(785, y + 24, "fuse", 14, "middle"), _text(785, y + 43, f"{one.fuse_A:g} A", 12, "middle"),
        _box(890, y, 130, 54), _text(955, y + 24, "switch", 14, "middle"), _text(955, y + 43, "within reach", 12, "middle"),
        _line([(680, y + 27), (730, y + 27)], POWER, 2.4), _line([(840, y + 27), (890, y + 27)], POWER, 2.4),
        _line([(1020, y + 27), (1140, y + 27), (1140, bottom)], POWER, 2.4),
        _text(1132, y + 18, "motor supply", 12, "end", POWER),
    ]  # fmt: skip


def _sensor(wires: "JointWires", y: int) -> list[str]:
    """A joint's potentiometer: ends at the reference and its ground, wiper to a converter pin."""
    made = [_text(24, y - 12, wires.name, 15, bold=True), _box(40, y + 10, 150, 150),
            _text(115, y + 34, "potentiometer", 14, "middle"), _text(115, y + 52, "in the joint", 12, "middle")]  # fmt: skip
    ends = [
        ("one end", "converter's reference (ADC_VREF)", y + 76),
        ("other end", "converter's ground (AGND)", y + 144),
    ]
    for what, where, at in ends:
        made += [
            _line([(190, at), (470, at)], INK, 1.6),
            _text(198, at - 6, what, 12),
            _text(462, at - 6, where, 12, "end"),
        ]
    for k, pin in enumerate(wires.wipers):
        at = y + 110 + 14 * k
        label = "wiper" if k == 0 else "second wiper"
        made += [
            _line([(190, at), (470, at)], SIGNAL, 2.0),
            _pin(478, at, pin, "start"),
            _text(198, at - 5, label, 12, colour=SIGNAL),
        ]
    drop = y + 178
    made += [_line([(300, y + 110), (300, drop)], SIGNAL, 1.4), _dot(300, y + 110),
             _text(310, drop - 6, f"{wires.pull_down} and {wires.capacitor}", 12),
             _text(310, drop + 10, "to the converter's ground" + (", each wiper" if len(wires.wipers) > 1 else ""), 12),
             *_ground(300, drop)]  # fmt: skip
    return made


def _drive(wires: "JointWires", y: int) -> list[str]:
    """A joint's bridge with its motor, or the pulse input of the motor's own amplifier."""
    inputs = "pulse input of the motor's amplifier" if wires.pulse else "inputs of an H bridge"
    made = [_box(860, y + 10, 150, 110), _text(935, y + 38, "motor's amplifier" if wires.pulse else "H bridge", 14, "middle"),
            _line([(1010, y + 30), (1140, y + 30)], POWER, 2.4), _dot(1140, y + 30, POWER)]  # fmt: skip
    for k, pin in enumerate(wires.out):
        at = y + 60 + 34 * k
        made += [_line([(680, at), (860, at)], SIGNAL, 2.0), _pin(672, at, pin, "end"),
                 _line([(740 + 40 * k, at), (740 + 40 * k, y + 150)], SIGNAL, 1.4), _dot(740 + 40 * k, at),
                 *_ground(740 + 40 * k, y + 150)]  # fmt: skip
    made += [
        _text(690, y + 46, inputs, 12),
        _text(800, y + 164, "10 kohm to ground " + ("each" if len(wires.out) > 1 else ""), 12),
    ]
    if not wires.pulse:
        made += [_text(935, y + 62, "enable: on only with", 12, "middle"), _text(935, y + 78, "the motor supply", 12, "middle"),
                 _line([(1010, y + 96), (1050, y + 96)], INK, 2.0)]  # fmt: skip
    else:
        made += [_line([(1010, y + 96), (1050, y + 96)], INK, 2.0), _text(935, y + 62, "its potentiometer's place:", 12, "middle"),
                 _text(935, y + 78, "two equal resistors", 12, "middle")]  # fmt: skip
    made += [f'<circle cx="1076" cy="{y + 96}" r="26" fill="{FILL}" stroke="{INK}" stroke-width="1.6"/>',
             _text(1076, y + 101, "motor", 12, "middle")]  # fmt: skip
    return made


def _text(
    x: float,
    y: float,
    words: str,
    size: int,
    anchor: str = "start",
    colour: str = INK,
    bold: bool = False,
) -> str:
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="{colour}"{weight}>{escape(words)}</text>'


def _pin(x: float, y: float, number: int, anchor: str) -> str:
    return _text(x, y + 5, f"GP{number}", 14, anchor, SIGNAL, bold=True)


def _box(x: float, y: float, width: float, height: float) -> str:
    return f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="6" fill="{FILL}" stroke="{INK}" stroke-width="1.6"/>'


def _line(points: list[tuple[float, float]], colour: str, width: float) -> str:
    path = " ".join(f"{x},{y}" for x, y in points)
    return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width}"/>'


def _dot(x: float, y: float, colour: str = SIGNAL) -> str:
    return f'<circle cx="{x}" cy="{y}" r="3.4" fill="{colour}"/>'


def _ground(x: float, y: float) -> list[str]:
    return [_line([(x - 10, y), (x + 10, y)], INK, 1.8), _line([(x - 6, y + 4), (x + 6, y + 4)], INK, 1.8),
            _line([(x - 2, y + 8), (x + 2, y + 8)], INK, 1.8)]  # fmt: skip
