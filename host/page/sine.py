"""A sine streamed to one joint, beside everything else that the link does."""

import threading
from typing import Any

SPAN_S = 0.02


class Sine(threading.Thread):
    """Streams a sine to one joint until it ends, is ended, or a joint trips."""

    def __init__(self, session: Any, joint: int, move: Any, done: Any) -> None:
        super().__init__(name="sine", daemon=True)
        self.session, self.joint, self.move, self.done = session, joint, move, done
        self.ended = threading.Event()

    def run(self) -> None:
        """Send a setpoint every 20 ms; say how it ended."""
        from host.link.setpoint_stream import raise_faults

        why = "done"
        begun = self.session.time_s()
        number = 0
        try:
            while not self.ended.is_set() and number * SPAN_S <= self.move.seconds:
                raise_faults(self.session)
                self.session.setpoints({self.joint: self.move.at(number * SPAN_S)}, SPAN_S)
                number += 1
                self.ended.wait(max(begun + number * SPAN_S - self.session.time_s(), 0.0))
            if self.ended.is_set():
                why = "ended"
        except Exception as error:  # told to the page, whatever it is
            why = str(error)
        self.done(self.joint, why)
