"""A node that looks for its ticks itself: on virtual boards, and wherever no interrupt makes them.

A tick begins at an absolute time; how many periods have passed is told to the
joints, so that a late tick does no harm to derivatives and profiles. In the
spare time the link is served, telemetry sent and garbage collected.
"""

from controller.joint import faults
from controller.node.loop_timing import LoopTiming
from controller.node.node import Node
from controller.node.rows import RowTelemetry
from controller.node.telemetry import Telemetry
from controller.portable import collect, const, ticks_add, ticks_diff

MOST_STEPS = const(50)
"Periods that one tick may stand for: beyond, the joints are told this many."
SILENT_S = const(1000.0)
LAST_WORDS = const(50)


class Loop(Node):
    """The loop of a board with several joints."""

    timing: LoopTiming

    def make_telemetry(self) -> Telemetry:
        """What tells the host."""
        return RowTelemetry(self)

    def make_timing(self) -> LoopTiming:
        """What counts ticks and their cost."""
        return LoopTiming()

    def link_age_s(self, now: int) -> float:
        """Link age that the joints are told (s); very old once the lease is over."""
        if not self.has_lease:
            self.answering.reads_us(now)
            return SILENT_S
        age = self.lease_age_us(now)
        if age > self.lease_us or age < 0:
            self.has_lease = False  # a long silence must not wrap round to a young age
            return SILENT_S
        return age * 1.0e-6

    def host_silent_us(self, now: int) -> int:
        """How long (us) the host has not beaten, or its reader not got on; 0 where no lease runs."""
        if not self.has_lease:
            return 0
        age = self.lease_age_us(now)
        reads = self.answering.reads_us(now) if self.telemetry.groups else 0
        return age if age > reads else reads

    def outside_fault(self) -> int:
        """What the joints are told: a fault found outside, or that the second watch has cut the drive meanwhile."""
        trips = self.board.standstills()
        if trips != self.trips:
            self.trips = trips
            self.outside = faults.STANDSTILL
        return self.outside

    def on_tick(self, steps: int, now: int) -> None:
        """Everything of one tick edge; an error in it ends with the drive off."""
        self.tick += steps
        self.board.beat()
        try:
            few = steps if steps < MOST_STEPS else MOST_STEPS
            self.joints.tick(self, few, now)
            self.outside = faults.NONE
        except Exception as error:
            self.board.off()
            self.fail(faults.TICK_ERROR)
            self.telemetry.text(2, "error in the tick: " + repr(error))
        self.telemetry.on_tick()

    def turn(self) -> None:
        """One turn of the loop: a tick if it is due, otherwise spare time."""
        now = self.clock.now()
        late = ticks_diff(now, self.edge)
        if late >= 0:
            steps = self.begin_tick(now, late)
            if steps > 1:  # ticks that leave no spare time must not make the board deaf
                self.answering.serve()
                self.telemetry.send()
        else:
            self.spare(-late)

    def begin_tick(self, now: int, late: int) -> int:
        """The tick that was due ``late`` us ago; return the periods that it stands for."""
        steps = 1 + late // self.tick_us
        self.edge = ticks_add(self.edge, steps * self.tick_us)
        self.timing.tick_begins(steps)
        self.on_tick(steps, now)
        self.timing.tick_ends(ticks_diff(self.clock.now(), now))
        self.answering.allowance = self.answering.bytes_per_tick
        return steps

    def spare(self, left_us: int) -> None:
        """Serve the link, send telemetry, collect garbage; then wait a little."""
        if self.answering.serve():
            return
        if self.telemetry.send():
            return
        if self.timing.may_collect(left_us):
            start = self.clock.now()
            collect()
            self.timing.collected(ticks_diff(self.clock.now(), start))
            return
        if left_us > 300:
            self.clock.sleep(100)

    def begin(self) -> None:
        """Drive off, measure what a tick costs, start the clock."""
        self.board.off()
        self.timing.measure(self)
        self.board.beat()
        self.trips = self.board.standstills()
        self.edge = ticks_add(self.clock.now(), self.tick_us)

    def run(self) -> None:
        """Run until the host asks to leave; the drive is off on every way out."""
        try:
            self.begin()
            while not self.leaving:
                self.turn()
            self.board.off()
            for _ in range(LAST_WORDS):  # the answer to LEAVE must not wait for ever
                if not self.telemetry.answers:
                    break
                if not self.telemetry.send():
                    self.clock.sleep(1000)
        finally:
            self.board.off()
