"""Board adapter: pins, interrupt, the second watch and the watchdog of a chip.

A hard timer calls ``Board.on_timer`` once a tick: readings, the tick of all joints as machine
code, outputs. A second one, ``Board.on_guard``, cuts the drive when the first has stopped. The
hardware watchdog is fed by the program behind them, and only while the ticks go on. Nothing is
allocated in either callback: both run also in the middle of a collection.
"""

from machine import WDT, Timer

from controller.board.pins import COUNTS, Input, Output
from controller.portable import const, ticks_add, ticks_diff, ticks_us

MYPY = False
if MYPY:  # types are for the checker only: a board has no typing module
    from typing import Any

FAMILY = const(1)
GUARD_MS = const(5)
GUARD_LIMIT = const(3)  # calls without a tick: 15 to 20 ms
WATCHDOG_MS = const(95)
LOW = const(0)
# places of cells and numbers of calls: as in cells.py, held by a test
_HEAD_EDGE_US = const(4)
_HEAD_SUPPLY_COUNTS = const(24)


class Board:
    """Everything with pins. Made first of all: its first act is drive off."""

    KIND = FAMILY
    FLAGS = 0
    INBOUND = 8
    "Octets that can be taken in and acted on in a tick of 2 ms; fewer in a shorter one."

    # by wiring_cells.join: the joints' memory, how its code is entered, places in it
    joints: "Any"
    whole: "Any"
    enter: "Any"
    code: int
    turn: int
    memory: int
    now_at: int
    turns_at: int
    cut_at: int
    by_registers: bool
    counts_at: "list[int]"
    levels_at: "list[int]"

    def __init__(self, wiring):
        """``wiring``: the dictionary of board.json (see controller/README.md)."""
        self.outputs = [Output(joint["out"][0], joint["out"][1]) for joint in wiring["joints"]]
        self.off_pins()
        self.inputs = []
        self.seconds = []
        for joint in wiring["joints"]:
            count = joint.get("oversampling", 1)
            self.inputs.append(Input(joint["wiper"], count))
            second = joint.get("second_wiper")
            self.seconds.append(Input(second, count) if second is not None else None)
        supply = wiring.get("supply")
        self.supply = Input(supply["pin"], 4) if supply is not None else None
        self.wiring = wiring
        self.tops = [(COUNTS * one.count) for one in self.inputs]
        self.duties = []
        for output in self.outputs:
            self.duties += output.duties()
        self.watchdog = None
        self.trips = 0
        self.still = 0
        self.seen_turns = self.fed_turns = 0
        self.spent_us = self.most_us = 0
        self.on_timer = self._on_timer  # bound methods made once: none is made in an interrupt
        self.on_guard = self._on_guard
        self.timers = []
        self.kept = None

    # --- interrupts

    def start(self, tick_us):
        """Start both timers, and keep them: a timer kept only in a local is collected."""
        joints = self.joints
        joints.whole[_HEAD_EDGE_US] = ticks_add(ticks_us(), tick_us)
        self.tick_us = tick_us
        timer = Timer(
            mode=Timer.PERIODIC, period=tick_us, tick_hz=1000000, callback=self.on_timer, hard=True
        )
        guard = Timer(mode=Timer.PERIODIC, period=GUARD_MS, callback=self.on_guard, hard=True)
        self.timers = [timer, guard]

    def _on_timer(self, _timer):
        whole = self.whole
        now = ticks_us()
        whole[self.now_at] = now
        if not self.by_registers:
            for k in range(len(self.inputs)):
                at = self.counts_at[k]
                whole[at] = self.inputs[k].read()
                second = self.seconds[k]
                if second is not None:
                    whole[at + 1] = second.read()
            if self.supply is not None:
                whole[_HEAD_SUPPLY_COUNTS] = self.supply.read()
        self.enter(self.code, self.turn, self.memory)
        if not self.by_registers:
            for k in range(len(self.outputs)):
                at = self.levels_at[k]
                self.outputs[k].put(whole[at], whole[at + 1])
        spent = ticks_diff(ticks_us(), now)
        self.spent_us = spent
        if spent > self.most_us:
            self.most_us = spent

    def _on_guard(self, _timer):
        turns = self.whole[self.turns_at]
        if turns != self.seen_turns:
            self.seen_turns = turns
            self.still = 0
            return
        self.still += 1
        if self.still >= GUARD_LIMIT:
            for one in self.duties:
                one(LOW)
            if self.still == GUARD_LIMIT:
                self.trips += 1

    # --- what a node asks for

    def off(self):
        """All drives off with the very next tick, which alone writes the pins while there are ticks."""
        if self.timers:
            self.whole[self.cut_at] = 1
        else:
            self.off_pins()

    def off_pins(self):
        """Low on every pin. Not while the interrupt writes them too."""
        for output in self.outputs:
            output.off()

    def end(self):
        """Drive off and no more interrupts, on every way out."""
        for one in self.timers:
            one.deinit()
        self.timers = []
        self.off_pins()

    def beat(self):
        """The program behind goes on: the watchdog is fed if the ticks do."""
        if self.watchdog is None:
            return
        turns = self.whole[self.turns_at]
        if turns != self.fed_turns:
            self.fed_turns = turns
            self.watchdog.feed()

    def watch(self):
        """From the first arming on: what stops both sides for longer than this ends in a reset."""
        if self.watchdog is None:
            self.watchdog = WDT(timeout=WATCHDOG_MS)

    def standstills(self):
        """Times the second watch has cut the drive."""
        return self.trips
