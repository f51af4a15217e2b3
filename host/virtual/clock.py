"""Simulated time of virtual boards: it follows real time, and waits for the computer and the host.

A computer does other work too. What it could not reckon in time is left out of the simulated time
instead of being told to the joints as a late tick, for it is no fault of theirs.
"""

import time

WRAP_US = 2**30
"""Where ``portable.ticks_us`` of CPython wraps."""
CATCH_UP_US = 20_000
"""So much is caught up; what is more is left out."""


def real_us() -> int:
    """Real time (us), which never goes back."""
    return time.monotonic_ns() // 1000


class PatientClock:
    """Simulated time ``us``; it moves only in ``follow``, ``skip`` and ``sleep``."""

    def __init__(self) -> None:
        self.us = 1000
        self.paused_us = 0
        """Left out so far."""
        self._behind = self.us - real_us()
        """Simulated less real time, where they go alike."""

    def now(self) -> int:
        """Time as a node counts it (us): it wraps."""
        return self.us % WRAP_US

    def due_in_us(self, at_us: int) -> int:
        """Real time (us) until ``at_us`` of simulated time; 0 or less: it is due."""
        return at_us - self._behind - real_us()

    def follow(self, most_us: int) -> bool:
        """Go on with real time, not beyond ``most_us``; tell whether it is reached."""
        now = self._behind + real_us()
        if now < most_us:
            self.us = max(self.us, now)
            return False
        self.us = max(self.us, most_us)
        if now - most_us > CATCH_UP_US:
            self.paused_us += now - most_us - CATCH_UP_US
            self._behind -= now - most_us - CATCH_UP_US
        return True

    def wait(self) -> None:
        """Real time has gone by that simulated time does not take: it goes on from where it is."""
        self._behind = min(self._behind, self.us - real_us())

    def sleep(self, span: int) -> None:
        """Let ``span`` us of simulated time go by at once."""
        self.us += span
        self._behind += span
