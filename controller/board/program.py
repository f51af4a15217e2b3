"""The loop of a chip: what goes on behind the interrupt, and may be late.

Serves the link, tells what happened, feeds the watchdog. Garbage is collected when the heap is
full; ticks go on meanwhile.
"""

from machine import mem32, reset

from controller.joint import faults
from controller.node.native_node import NativeNode
from controller.portable import collect, const, free_memory, ticks_diff
from controller.wire import messages as m

MOST_INBOUND = const(128)
"Octets that are read before anything else is done."
LOOK_US = const(8000)
STAY = const(0x6A6C)
"In the watchdog's first scratch word: the next program stays at the prompt."
# places of cells and numbers of calls: as in cells.py, held by a test
_HEAD_TURNS = const(13)
TRIALS = const(5)
PLAN_STEPS = const(5)
"Ticks of a plan that are tried: its begin, its dearest parts."
LONG_US = const(1 << 29)
STILL_US = const(30000)


class ChipNode(NativeNode):
    """A node on a chip: ticks come from the timer, not from here."""

    stay_at = 0
    "Address of the word by which the next program stays at the prompt."
    stopped = False
    changed = -1
    "Joint whose settings have just been taken."
    seen_tick = 0
    few = 1
    empty_us = 0
    "When the link was last seen empty: whatever has come since is no older."

    def arrived_us(self, now):  # noqa: ARG002
        """Time (us) at which what is being read may have come, at the earliest."""
        return self.empty_us

    def trial_us(self, k, which, most):
        """What a trial tick of a joint takes; ``most`` where it took less before."""
        begun = self.clock.now()
        self.joints.trial_tick(k, which)
        spent = ticks_diff(self.clock.now(), begun)
        return spent if spent < most else most

    def dearest_us(self, k):
        """What the dearest tick of a move's planning takes more than an idle one.

        The least of several trials each: an interrupt may come between.
        """
        idle, steps = LONG_US, [LONG_US] * PLAN_STEPS
        for _ in range(TRIALS):
            idle = self.trial_us(k, 0, idle)
            for step in range(PLAN_STEPS):
                steps[step] = self.trial_us(k, 2 if step else 1, steps[step])
        return max(steps) - idle

    def measure(self, k=-1):
        """What a tick costs: the interrupt as it is now, with every joint planning a move instead of idle."""
        self.wait_for_turns(2)
        if k >= 0:
            self.dearest[k] = self.dearest_us(k)
        cost = self.board.spent_us + sum(self.dearest)
        self.timing.cost_us = cost
        # the dearest tick must end within its period; a plain one takes two thirds of it at most
        self.timing.fits = cost <= self.tick_us * 95 // 100 and not self.stopped

    def wait_for_turns(self, count):
        """Wait for ticks, a limited time. Raises RuntimeError where none come."""
        whole, begun = self.board.whole, self.clock.now()
        end = whole[_HEAD_TURNS] + count
        while whole[_HEAD_TURNS] < end and not self.stopped:
            if ticks_diff(self.clock.now(), begun) > 20 * self.tick_us + STILL_US:
                raise RuntimeError("the timer does not tick")

    def settings_taken(self, k):
        """With other settings a tick costs another time: measured before anything else is heard."""
        self.timing.fits = False
        self.changed = k

    def begin(self):
        """Drive off, start the ticks, measure what one costs."""
        self.board.off_pins()
        collect()
        self.dearest = [0] * self.joints.count
        self.answering.bytes_per_tick = max(self.board.INBOUND * self.tick_us // 2000, 1)
        if self.board.FLAGS & m.HALF:
            self.timing.fits = False
            return
        self.board.start(self.tick_us)
        self.empty_us = self.clock.now()
        self.measure()
        begun = self.clock.now()
        collect()
        self.timing.collect_us = ticks_diff(self.clock.now(), begun)
        self.timing.free = free_memory()
        self.seen_tick = self.tick
        self.few = LOOK_US // self.tick_us + 1

    def turn(self):
        """One turn: the link first, then what the ticks have done meanwhile."""
        board = self.board
        board.beat()
        if board.trips != self.trips:
            self.tell_stopped(board.trips)
        if self.changed >= 0:
            k, self.changed = self.changed, -1
            self.measure(k)  # here, not where they were taken: the stack is small
        now = self.clock.now()
        self.answering.allowance = MOST_INBOUND
        heard = self.answering.serve()
        if (
            self.answering.allowance > 0
        ):  # all was read that was there: what comes next is younger than now
            self.empty_us = now
        steps, told = self.tick - self.seen_tick, self.telemetry.told
        if steps >= self.few:
            self.seen_tick += steps
            self.look(steps)
        if self.telemetry.told != told:
            return  # a report has taken its time: the link is heard again before it is sent
        if self.telemetry.send():
            self.telemetry.send()
        elif not heard:
            self.clock.sleep(100)

    def tell_stopped(self, trips):
        """The ticks have stopped, and an interrupt that failed does not come again: nothing is armed any more."""
        self.trips = trips
        self.stopped = True
        self.timing.fits = False
        self.joints.fail(faults.STANDSTILL, False, self.tick)
        self.telemetry.text(2, "the timer's interrupt has stopped; start the board anew")

    def look(self, steps):
        """Account ticks that have gone by, tell what is due; the watchdog begins with the first drive."""
        timing, board = self.timing, self.board
        timing.ticks += steps
        timing.sum_us += steps * board.spent_us
        timing.most_us = board.most_us
        if board.watchdog is None and self.any_driven():
            board.watch()
        self.telemetry.on_tick(steps)

    def run(self):
        """Run until the host asks to leave; the drive is off on every way out."""
        try:
            self.begin()
            while not self.leaving:
                self.turn()
            self.board.end()  # no tick puts a drive on again
            for _ in range(50):  # the answer to LEAVE must not wait for ever
                if not self.telemetry.answers:
                    break
                if not self.telemetry.send():
                    self.clock.sleep(1000)
        finally:
            self.board.end()

    def serve(self):
        """Serve until the host asks to leave, Ctrl-C, or an error: the drive is off on every way."""
        try:
            self.run()
        except KeyboardInterrupt:
            print("interrupted: drive off")
        finally:
            self.board.end()
        if self.board.watchdog is not None:
            # It cannot be stopped: leave by a reset of our own, and stay at the prompt once.
            mem32[self.stay_at] = STAY
            reset()
