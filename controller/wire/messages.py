"""Messages: numbers, layouts, results. First octet kind, second sequence.

Everything is little-endian. A layout is a struct string of the body; below
each kind stands, for the documentation, from whom | fields | meaning. The
board never loads these strings.
"""

from struct import pack, unpack_from

from controller.portable import const

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

VERSION = const(1)

HELLO = const(0x01)
"host | version B | who are you; answered by IDENTITY"
BEAT = const(0x02)
"host | host_us I, lease_ms H, seen B | renews the lease; `seen` is the last sequence number that the host's reader decoded"
SETTING = const(0x04)
"host | joint B, index H, values f... | stages values of the packed table from an index on"
APPLY = const(0x05)
"host | joint B, digest I | checks the staged table and takes it over whole, if its digest is this one"
READ = const(0x06)
"host | joint B, index H, count B | asks for values of the table in force"
ARM = const(0x07)
"host | joints H, digest I | arms the joints of a mask, if the settings in force have this digest"
DRIVE_OFF = const(0x08)
"host | joints H | drive off"
STOP = const(0x09)
"host | joints H, category B | stop of category 0 (off at once, latched) or 1 (controlled, then off)"
CLEAR = const(0x0A)
"host | joints H | clears latched faults whose cause is gone; never arms"
RELEASE = const(0x0B)
"host | joints H | short, weak reverse move, then off"
TARGET = const(0x0C)
"host | joint B, flags B, angle_rad f, turn h | move by the profile; flags: 1 grip, 2 absolute turn"
SETPOINTS = const(0x0D)
"host | joints H, span_ms B, (position H, speed h)... | streamed setpoints of the joints of a mask, scaled: position over the commanded range, speed over the speed limit"
HOLD = const(0x0E)
"host | joints H | stop by the profile and hold"
TELEMETRY = const(0x0F)
"host | joints H, fields H, every B, rows B | what is sent, every how many ticks, how many rows in a frame; rows 0 is none"
SEEN = const(0x10)
"host | joint B, fault B | the fault report was seen: stop repeating it"
LEAVE = const(0x11)
"host | magic I | drive off and back to the prompt"
MEDDLE = const(0x70)
"host | joint B, kind B, a f, b f, c f | virtual board only: inject what a schedule's events do"

IDENTITY = const(0x81)
"board | version B, board B, flags B, joints B, tick_us I, build I, settings I, serial Q, cost_us H, collect_us H, inbound B | answer to HELLO; flags: 1 virtual, 2 single precision, 4 the tick does not fit, 8 watchdog reset, 16 half written; inbound: octets taken in a tick"
ECHO = const(0x82)
"board | host_us I, board_us I, tick I, modes H | answer to BEAT; modes: joints with the drive on"
ANSWER = const(0x84)
"board | kind B, sequence B, result B, detail H | answer to every other request"
VALUES = const(0x86)
"board | joint B, index H, values f... | answer to READ"
ROWS = const(0x90)
"board | joints H, fields H, dropped H, (tick I, fields f...)... | telemetry: rows of the joints of a mask, the tick once a row"
FAULT = const(0x91)
"board | tick I, joint B, fault B, mode B | a fault was latched; repeated until SEEN"
HEALTH = const(0x92)
"board | mean_us H, most_us H, late H, collections H, collect_us H, free I, bad H, gaps H, dropped H, standstills H | twice a second"
TEXT = const(0x93)
"board | level B, text | a line for the log"

LAYOUT = {
    HELLO: "<B", BEAT: "<IHB", APPLY: "<BI", READ: "<BHB", ARM: "<HI", DRIVE_OFF: "<H", STOP: "<HB",
    CLEAR: "<H", RELEASE: "<H", TARGET: "<BBfh", HOLD: "<H", TELEMETRY: "<HHBB", SEEN: "<BB",
    LEAVE: "<I", MEDDLE: "<BBfff", IDENTITY: "<BBBBIIIQHHB", ECHO: "<IIIH", ANSWER: "<BBBH",
    FAULT: "<IBBB", HEALTH: "<HHHHHIHHHH",
}  # fmt: skip
HEAD = {SETTING: "<BH", SETPOINTS: "<HB", VALUES: "<BH", ROWS: "<HHH", TEXT: "<B"}

LEAVE_MAGIC = const(0x6A6C6F6F)

# IDENTITY flags
VIRTUAL = const(1)
SINGLE = const(2)
NO_FIT = const(4)
WAS_RESET = const(8)
HALF = const(16)

# ANSWER results
DONE = const(0)
"done"
UNKNOWN = const(1)
"unknown message"
BAD_LENGTH = const(2)
"message of the wrong length"
NO_JOINT = const(3)
"no such joint"
OUT_OF_RANGE = const(4)
"a value is out of range (detail: its index)"
DIFFERS = const(5)
"settings digest differs"
NOT_NOW = const(6)
"not in this mode (detail: the mode)"
NO_LEASE = const(7)
"no lease: beat first"
TOO_SLOW = const(8)
"the tick does not fit the tick rate (detail: us a tick takes)"
REFUSED = const(9)
"setpoint refused: out of range, in the gap, or not armed"
HALF_WRITTEN = const(10)
"the board was half written: deploy again"

# Telemetry fields, in this order in a row
FIELDS = (
    "angle_rad", "setpoint_rad", "allowed_V", "force_N", "speed_rad_s", "demand_V", "current_A",
    "winding_C", "supply_V", "counts", "mode", "fault", "limits", "turn",
)  # fmt: skip
FIELD_COUNT = const(14)
USUAL_FIELDS = const(0x000F)


def build(kind: int, sequence: int, *values: float) -> bytes:
    """Return the payload of a message of fixed layout."""
    return bytes((kind, sequence)) + pack(LAYOUT[kind], *values)


def parse(payload: bytes) -> "Any":
    """Return the body of a message of fixed layout as a tuple; None if its length is wrong."""
    layout = LAYOUT[payload[0]]
    if len(payload) - 2 != size(layout):
        return None
    return unpack_from(layout, payload, 2)


_SIZES = {"B": 1, "H": 2, "h": 2, "I": 4, "f": 4, "Q": 8}


def size(layout: str) -> int:
    """Octets of a layout."""
    return sum([_SIZES[one] for one in layout[1:]])
