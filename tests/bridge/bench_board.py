"""A simulated board over TCP in a process of its own, with what a test asks for. Not a test.

``bench_board.py OPTIONS JOINT...``: OPTIONS is JSON with ``real`` (says that it is no virtual
board), ``as_c`` (its tick translated to C), ``inbound`` (octets a tick), ``build`` (its build number). Ends with its standard input.
"""

import json
import os
import sys
import threading
from pathlib import Path

from host.commands.shared.loading import load
from host.virtual import board
from host.virtual.clock import PatientClock
from host.virtual.loop import BoardLoop, LocalNode
from host.virtual.streams import SocketStream


def end_with_parent():
    while os.read(0, 4096):
        pass
    os._exit(0)


def main():
    options = json.loads(sys.argv[1])
    joints = [load(Path(path)) for path in sys.argv[2:]]
    threading.Thread(target=end_with_parent, daemon=True).start()
    stream, clock = SocketStream(options.get("port", 0)), PatientClock()
    node = board.make_node(joints, stream, 1, clock, bool(options.get("as_c")))
    if options.get("real"):
        node.board.FLAGS = 0
    node.build = options.get("build", node.build)
    node.answering.bytes_per_tick = options.get("inbound", node.answering.bytes_per_tick)
    loop = BoardLoop([LocalNode(node, node.board, stream)], clock)
    loop.begin()
    print(json.dumps({"url": f"tcp://127.0.0.1:{stream.port}"}), flush=True)
    loop.run()


if __name__ == "__main__":
    main()
