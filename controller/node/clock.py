"""The clock that a node goes by: the runtime's own here, a simulated one on virtual boards."""

from controller.portable import sleep_us, ticks_us


class Clock:
    """Microseconds that wrap, and a pause; differences by ``portable.ticks_diff``."""

    def now(self) -> int:
        """Time now (us)."""
        return ticks_us()

    def sleep(self, span: int) -> None:
        """Let ``span`` us or somewhat more go by."""
        sleep_us(span)
