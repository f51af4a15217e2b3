"""The deadman's callback with the heap locked, as in a hard interrupt. Run by MicroPython.

Any allocation, so any float, raises MemoryError there.
"""

import micropython

from controller.board.deadman import LIMIT, Deadman


class Output:
    """An output that keeps its duty."""

    def __init__(self):
        self.duty = 30000

    def duty_u16(self, duty):
        """Take a duty."""
        self.duty = duty


class Timer:
    """A timer that hands its callback out."""

    PERIODIC = 1

    def __init__(self, period, mode, callback, hard):
        self.callback = callback


def with_heap_locked(callback, times):
    """Call ``callback`` as a hard interrupt would; tell whether it allocated."""
    k = 0
    micropython.heap_lock()
    try:
        while k < times:
            callback(None)
            k += 1
    except MemoryError:
        return "allocates"
    finally:
        micropython.heap_unlock()
    return "allocates nothing"


total = 0.5


def careless(_timer):
    """A callback with a float in it: what the lock must find."""
    global total
    total = total * 1.5


outputs = [Output() for _ in range(8)]
deadman = Deadman([output.duty_u16 for output in outputs])
deadman.start(Timer)
interrupt = deadman.timer.callback

print("careless", with_heap_locked(careless, 1))
print("living", with_heap_locked(interrupt, LIMIT - 1), [output.duty for output in outputs])
print("standing", with_heap_locked(interrupt, 1), [output.duty for output in outputs])
print("long", with_heap_locked(interrupt, 100000), deadman.trips, deadman.count)
deadman.alive()
print("alive", with_heap_locked(interrupt, LIMIT), deadman.trips, deadman.count)
