"""A host that will come to harm: opens a board, arms, streams, records. Not a test.

``victim.py JOINT URL FOLDER [deaf]``: prints "streaming" when it does. With ``deaf`` its
reader stops while its beats go on; it prints "deaf" when that has lasted for longer than a
virtual board waits for its host.
"""

import sys
import threading
from pathlib import Path

from host.commands.shared.loading import load
from host.link.moves import sine
from host.link.session import Session
from host.link.setpoint_stream import approach, arm_and_wait, stream
from host.recordings.session_recording import about, begin_recording


def main():
    joint = load(Path(sys.argv[1]))
    session = Session([joint], [sys.argv[2]])
    session.send_settings()
    fields = ["angle_rad", "setpoint_rad", "allowed_V", "mode", "fault"]
    recorder = begin_recording(session, Path(sys.argv[3]), fields, 1, about(session, 1))
    move = sine(0.9, 0.4, 1.0, 60.0)
    arm_and_wait(session)
    approach(session, {0: move.at(0.0)[0]})

    def told(t, _whole):
        if abs(t - 0.4) < 0.011:
            print("streaming", flush=True)
            if "deaf" in sys.argv:
                session.bridges[0]._take = lambda _payload: threading.Event().wait()
        if abs(t - 3.4) < 0.011:
            print("deaf", flush=True)

    try:
        stream(session, {0: move}, 50.0, tell=told)
    finally:
        recorder.close()  # as the commands do; a killed process gets no further than its last flush


if __name__ == "__main__":
    threading.stack_size(2**20)
    main()
