"""Runs on an emulated chip: the board's interrupt with its heap locked, counted. Not a test.

Its folder holds ``controller``, ``image.bin``, ``settings.bin``, a ``machine`` of stand-ins (``jlfake``), and
``joints.txt``: how many. Prints allocations, and counts of the clock for a call: mean and worst, one joint after
another planning a move, and all at once.
"""

import gc
from time import ticks_cpu, ticks_diff

import jlfake
import micropython

from controller.board.adapter import Board
from controller.board.machine_code import Code, Memory, enter
from controller.board.wiring_cells import join
from controller.node import cells
from controller.node.native_joints import NativeJoints

HEAD = {name: k for k, name in enumerate(cells.HEAD)}


now = [0]


class Node:
    """What taking settings over needs of a node."""

    tick_us = 1000

    def settings_taken(self, k):
        """Nothing to measure."""


def made(count):
    """A board with joints, settings taken and armed."""
    rows = [{"wiper": 26 + k, "out": [2 * k + 2, 2 * k + 3], "rest_V": 9.0, "emf_V_s": 9.0} for k in range(count)]  # fmt: skip
    board = Board({"tick_us": 1000, "joints": rows})
    code = Code("/flash/image.bin")
    memory = Memory(code.words[-3] + count * code.words[-2])
    joints = NativeJoints(
        count, 1000, memory.whole, memory.octets, lambda number: enter(code.at, number, memory.at)
    )
    board.kept = code, memory
    join(board, joints, enter, code.at, memory.at, False)
    with open("/flash/settings.bin", "rb") as file:
        data = file.read()
    from controller.wire.digest import digest

    for k in range(count):
        joints.begin_staging(k)
        joints.staging(0, len(data))[:] = data
        assert joints.apply(Node(), k, digest(data)) == (0, 0)
        joints.request(k, 1)
    whole = joints.whole
    whole[HEAD["lease_us"]] = 1 << 28
    whole[HEAD["has_lease"]] = 1
    whole[HEAD["groups"]], whole[HEAD["fields"]] = 1, 15
    at = whole[HEAD["group_at"]]
    whole[at], whole[at + 1], whole[at + 2] = (1 << count) - 1, 4 + 16 * count, 3
    return board, joints


def run(board, joints, ticks, every):
    """Ticks of the interrupt with the heap locked: (mean, worst, the worst of the ticks in which moves begin)."""
    total = worst = planned = 0
    whole, target = joints.whole, 0
    for tick in range(ticks):
        plans = every and tick % every == 40
        if plans:
            target += 1
            for k in range(joints.count):
                joints.target(k, 0, 2.5 if target % 2 else 1.5, 0)
        now[0] += 1000
        whole[HEAD["edge_us"]] = whole[HEAD["beat_us"]] = now[0]
        jlfake.set_counts(2000 << 4)
        micropython.heap_lock()
        begun = ticks_cpu()
        board.on_timer(None)
        spent = ticks_diff(ticks_cpu(), begun)
        board.on_guard(None)
        locked = micropython.heap_unlock()
        assert locked == 0 or locked is None
        total += spent
        if spent > worst:
            worst = spent
        if every and tick % every >= 40 and tick % every < 46 and spent > planned:
            planned = spent
        if tick % 50 == 0:
            gc.collect()
    return total // ticks, worst, planned


def main():
    """One count of joints."""
    with open("/flash/joints.txt") as file:
        count = int(file.read())
    board, joints = made(count)
    from controller.board import adapter

    adapter.ticks_us = lambda: now[0]  # this emulated board's own clock runs otherwise
    run(board, joints, 100, 0)
    for k in range(count):
        assert joints.mode(k) == 2, (joints.mode(k), joints.fault(k), list(joints.whole[:42]))
    gc.collect()
    mean, worst, planned = run(board, joints, 600, 150)
    print("interrupt", count, mean, worst, planned, joints.whole[HEAD["turns"]])
    print("fault", [joints.fault(k) for k in range(count)])
    micropython.heap_lock()
    try:
        [1.5 + count]
        print("careless allocates nothing")
    except MemoryError:
        print("careless allocates")
    micropython.heap_unlock()
    print("done")


main()
