"""The joints of a board that cannot run them: it says so when greeted, and drives nothing."""

from array import array

from controller.portable import const
from controller.wire import messages as m

HEAD = const(64)
"More cells than any part of a node asks for."


class NoJoints:
    """Answers what a node asks of its joints; nothing of it moves."""

    def __init__(self, count):
        self.count = count
        self.whole = array("i", [0] * HEAD)

    def digest(self):
        """Of no settings."""
        return 0

    def mode(self, k):  # noqa: ARG002
        """Off."""
        return 0

    def fault(self, k):  # noqa: ARG002
        """None is latched."""
        return 0

    def fault_tick(self, k):  # noqa: ARG002
        """None was."""
        return 0

    def may_arm(self, k):  # noqa: ARG002
        """Nobody's settings were taken."""
        return False

    def request(self, k, wanted):
        """There is nothing to stop."""

    def hold(self, k):
        """There is nothing to hold."""

    def stage(self, payload):  # noqa: ARG002
        """No settings are taken."""
        return m.HALF_WRITTEN, 0

    def apply(self, node, k, wanted):  # noqa: ARG002
        """No settings are taken."""
        return m.HALF_WRITTEN, 0

    def values(self, k, first, count):  # noqa: ARG002
        """There are none."""
        return
