"""The joints of a node whose tick runs in Python: settings, orders, ticks, one slot each.

A node is handed its joints. What it asks of them stands here; a chip's joints answer the
same, with the tick as machine code (``controller/board/chip_joints.py``).
"""

from struct import unpack_from

from controller.joint import coupling, supervisor
from controller.joint.modes import POWERED, TRIPPED, ask, driven
from controller.joint.motion import setpoint
from controller.joint.settings.contradictions import contradiction, crosses_itself, rest_voltage
from controller.joint.settings.settings import BUILTIN, PULSE, Settings
from controller.joint.state import Command, Readings, Report, State
from controller.joint.tick import joint_tick
from controller.node.fields import value_of
from controller.portable import const
from controller.records import copy, get
from controller.wire import messages as m
from controller.wire import table

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

MOST_V = const(1000.0)
"Bounds of a joint whose board says none (``beyond_board``): a simulated one."


class Slot:
    """One joint of the node."""

    def __init__(self) -> None:
        self.rest_V = MOST_V
        self.emf_V_s = MOST_V
        self.settings = Settings()
        self.state = State()
        self.command = Command()
        self.readings = Readings()
        self.report = Report()
        self.staged: "bytearray | None" = None
        self.applied = False
        self.fault_now = 0
        self.fault_tick = 0


class Joints:
    """Several joints; ``tick`` runs one of them, as ``joint_tick`` does."""

    def __init__(self, count: int, tick: "Any" = joint_tick) -> None:
        self.count = count
        self.joint_tick = tick
        self.slots = [Slot() for _ in range(count)]
        self.states = [slot.state for slot in self.slots]
        self.trial = Command()
        self.trial_records = State(), Command(), Report()
        self.hard: "list[tuple[str, float, float]]" = []

    # --- ticks

    def tick(self, node: "Any", steps: int, now: int) -> None:
        """One control tick of every joint of ``node``; the drive is put out joint by joint."""
        age_s = node.link_age_s(now)
        for k in range(self.count):
            slot = self.slots[k]
            r = slot.readings
            node.board.read(k, r)
            r.outside_fault = node.outside_fault()
            r.steps = steps
            r.link_age_s = age_s
            if coupling.crosses(slot.settings.across):
                coupling.fill(slot.settings.across, slot.state, self.states)
            value = self.joint_tick(slot.settings, slot.state, slot.command, r, slot.report)
            node.board.drive(k, value, slot.settings.drive.kind == PULSE)
            if slot.report.fault != slot.fault_now:
                slot.fault_now = slot.report.fault
                slot.fault_tick = node.tick

    def trial_tick(self, k: int) -> None:
        """A tick on copies, as if powered: the dear way through it. The drive is left alone."""
        slot = self.slots[k]
        state, command, report = self.trial_records
        copy(slot.state, state)
        state.mode.mode = POWERED
        self.joint_tick(slot.settings, state, command, slot.readings, report)

    def fail(self, fault: int, every: bool, at: int) -> None:
        """Trip every driven joint (with ``every`` all) by hand in tick ``at``: no tick could."""
        for slot in self.slots:
            if every or driven(slot.state.mode.mode):
                supervisor.trip(slot.state.mode, fault)
                slot.state.output.value = 0.0
                slot.report.drive = 0.0
                slot.report.mode = TRIPPED
                slot.report.fault = slot.state.mode.fault
                slot.report.allowed_V = 0.0
                slot.fault_now = slot.report.fault
                slot.fault_tick = at

    # --- what they do

    def mode(self, k: int) -> int:
        """Mode of a joint."""
        return self.slots[k].report.mode

    def fault(self, k: int) -> int:
        """Latched fault of a joint, or ``faults.NONE``."""
        return self.slots[k].report.fault

    def fault_tick(self, k: int) -> int:
        """Tick in which the fault was latched."""
        return self.slots[k].fault_tick

    def value(self, k: int, field: int) -> float:
        """Value of a telemetry field, by its place in messages.FIELDS."""
        slot = self.slots[k]
        return value_of(slot.settings, slot.readings, slot.report, field)

    # --- orders

    def may_arm(self, k: int) -> bool:
        """Tell whether somebody sent settings: a joint's own defaults drive nothing."""
        return self.slots[k].applied

    def waits(self, k: int) -> int:
        """What has been asked of a joint's supervisor since the last tick; 0 nothing."""
        return self.slots[k].command.request

    def request(self, k: int, wanted: int) -> None:
        """Ask something of a joint's supervisor."""
        ask(self.slots[k].command, wanted)

    def target(self, k: int, flags: int, angle_rad: float, turn: int) -> bool:
        """A move to a target (flags: 1 grip, 2 absolute turn); tell whether it may be followed."""
        slot = self.slots[k]
        trial = self.trial  # checked before anything is written: a refused one leaves no trace
        setpoint.aimed(trial, flags, angle_rad, turn)
        if not setpoint.acceptable(slot.settings, trial):
            return False
        trial.request = slot.command.request
        copy(trial, slot.command)
        return True

    def hold(self, k: int) -> None:
        """Stop by the profile and hold; a hold stays a grip."""
        slot = self.slots[k]
        slot.command.kind = setpoint.HOLD_HERE
        slot.command.grip = slot.state.mode.grip

    def stream(self, k: int, share: int, rate: int, span_ms: int) -> None:
        """A streamed setpoint, scaled as on the wire; passed over where the joint is not powered."""
        slot = self.slots[k]
        if slot.report.mode == POWERED:
            setpoint.streamed(slot.settings, slot.command, share, rate, span_ms)

    # --- settings; those that may be refused return (result, detail)

    def digest(self) -> int:
        """Digest of the settings in force, of all joints together."""
        return table.digest(b"".join([table.pack_table(slot.settings) for slot in self.slots]))

    def stage(self, payload: bytes) -> "tuple[int, int]":
        """Stage cells of a joint's settings; nothing is in force before ``apply``."""
        if len(payload) < 9 or (len(payload) - 5) % 4:
            return m.BAD_LENGTH, 0
        joint, index = unpack_from(m.HEAD[m.SETTING], payload, 2)
        if joint >= self.count:
            return m.NO_JOINT, joint
        slot = self.slots[joint]
        if slot.staged is None:
            slot.staged = bytearray(table.pack_table(slot.settings))
        data = payload[5:]
        if index * 4 + len(data) > len(slot.staged):
            return m.OUT_OF_RANGE, index
        slot.staged[index * 4 : index * 4 + len(data)] = data
        return m.DONE, 0

    def apply(self, node: "Any", k: int, digest: int) -> "tuple[int, int]":
        """Take staged settings over whole, or refuse them whole and say which cell."""
        slot = self.slots[k]
        if driven(slot.report.mode) or self.waits(k) != 0:
            return m.NOT_NOW, slot.report.mode  # an order that waits was given under other settings
        data = bytes(slot.staged) if slot.staged is not None else table.pack_table(slot.settings)
        slot.staged = None
        if table.digest(data) != digest:
            return m.DIFFERS, 0
        fresh = Settings()
        table.unpack_table(data, fresh)
        wrong = contradiction(fresh)
        if wrong is None and int(fresh.tick_s * 1.0e6 + 0.5) != node.tick_us:
            wrong = "tick_s"
        if wrong is None:
            wrong = self.beyond_board(node.board, k, fresh)
        if wrong is not None:
            return m.OUT_OF_RANGE, table.cell_of(Settings, wrong)
        copy(fresh, slot.settings)
        slot.applied = True
        begin_afresh(slot.state)
        return m.DONE, 0

    def beyond_board(self, board: "Any", k: int, fresh: "Settings") -> "str | None":
        """Dotted name of the first setting that does not fit this board, or None."""
        if fresh.sensor.counts_top != board.tops[k]:
            return "sensor.counts_top"  # another oversampling: every angle would be wrong
        if fresh.drive.kind == BUILTIN:  # it can be neither limited nor stopped
            return "drive.kind"
        if crosses_itself(fresh, k):
            return "across.joint_1"
        slot = self.slots[k]  # what bounds the force: volts at rest, and what a speed may add
        if rest_voltage(fresh) > slot.rest_V:
            return "limits.current_A"
        if fresh.limits.back_emf_V_s > slot.emf_V_s:
            return "limits.back_emf_V_s"
        for name, low, high in self.hard:  # what the board itself never goes beyond
            if not low <= get(fresh, name) <= high:
                return str(name)
        return None

    def values(self, k: int, first: int, count: int) -> "bytes | None":
        """Octets of cells of the settings in force; None beyond the table."""
        data = table.pack_table(self.slots[k].settings)
        if (first + count) * 4 > len(data):
            return None
        return data[first * 4 : (first + count) * 4]


def begin_afresh(state: "State") -> None:
    """Under new settings, angle, turns, motion and evidence begin anew; heat and faults stay."""
    fresh = State()
    copy(fresh.sensed, state.sensed)
    copy(fresh.motion, state.motion)
    copy(fresh.plan, state.plan)
    copy(fresh.loop, state.loop)
    copy(fresh.evidence, state.evidence)
    copy(fresh.output, state.output)
    state.mode.push_sign = 0.0
    state.mode.from_rad = 0.0
