"""A virtual board's node whose ticks are the machine code of a chip, made by its own loop."""

from controller.node.loop import Loop
from controller.node.native_node import NativeNode


class NativeLoop(NativeNode, Loop):
    """Loops as any virtual board; time, lease and rows lie in the memory that it shares with the code."""
