"""A simulated board over TCP in a process of its own, with what a test asks for. Not a test.

``bench_board.py OPTIONS JOINT...``: OPTIONS is JSON with ``real`` (says that it is no virtual
board), ``inbound`` (octets a tick), ``build`` (its build number). Ends with its standard input.
"""

import gc
import json
import os
import sys
import threading
from pathlib import Path

from host import virtual_board
from host.loading import load


def end_with_parent():
    while os.read(0, 4096):
        pass
    os._exit(0)


def forgiving(node):
    """A computer is late at times; a joint of a board that says it is real must not trip on it."""
    tick_joints = node.tick_joints
    node.tick_joints = lambda _steps, now: tick_joints(1, now)


def main():
    options = json.loads(sys.argv[1])
    joints = [load(Path(path)) for path in sys.argv[2:]]
    threading.Thread(target=end_with_parent, daemon=True).start()
    stream = virtual_board.SocketStream(options.get("port", 0))
    node = virtual_board.make_node(joints, stream, 1)
    if options.get("real"):
        node.board.FLAGS = 0
        forgiving(node)
    node.build = options.get("build", node.build)
    node.answering.bytes_per_tick = options.get("inbound", node.answering.bytes_per_tick)
    node.begin()
    node.board.read(0, node.slots[0].readings)
    gc.collect()
    gc.freeze()
    gc.disable()
    print(json.dumps({"url": f"tcp://127.0.0.1:{stream.port}"}), flush=True)
    node.run()


if __name__ == "__main__":
    main()
