"""What the page has computed, in a process of its own: STOP never waits for a simulation.

The functions here run there; they take numbers and names, so that nothing large crosses.
"""

import multiprocessing
import threading
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from controller.joint.settings.settings import Settings
from host.page import preview
from host.page.link_client import no_interrupts
from sim.run.closed_loop import Joint
from sim.run.scenarios import span_of

_joints: list[Joint] = []
_bands: dict[int, preview.Bands] = {}

State = tuple[dict[str, float], float]
"""Gains that differ from the file's, and the share of the force limit."""


def executor(paths: list[str]) -> ProcessPoolExecutor:
    """The process, warm: joints loaded, kernels there."""
    context = multiprocessing.get_context("spawn")
    made = ProcessPoolExecutor(1, context, _begin, (paths,))
    with no_interrupts():
        made.submit(_warm)
    return made


def _begin(paths: list[str]) -> None:
    import contextlib
    import os
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(AttributeError, OSError):
        os.nice(10)  # a virtual board and the link go first
    threading.Thread(target=_end_with_server, name="server", daemon=True).start()
    from host.page.joints import read

    _joints.extend(read(paths)[0])


def _end_with_server() -> None:
    """End this process when its parent has ended: killed, it could not say so.

    A pool's worker holds both ends of the pipe that its work comes by, and would wait for ever.
    """
    import os

    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _warm() -> None:
    step(0, ({}, 1.0), ({}, 1.0))
    band(0, ({}, 1.0), 0.3, 0.4)


def settings_of(number: int, state: State) -> Settings:
    """The settings that the board has in this state."""
    from host.page.joints import low_force

    gains, share = state
    return preview.with_gains(low_force(_joints[number], share), gains)


def step(number: int, now: State, then: State) -> dict[str, Any]:
    """Margins and predicted step, now and then, over the middle of the range."""
    joint = _joints[number]
    low, high = span_of(joint.settings)
    ends = (low + 0.2 * (high - low), low + 0.8 * (high - low))
    return {"now": preview.predicted(joint, settings_of(number, now), *ends),
            "then": preview.predicted(joint, settings_of(number, then), *ends)}  # fmt: skip


def beyond(number: int, state: State) -> str:
    """What is wrong with the loop of these gains, in words; "" where nothing is."""
    return preview.beyond(*preview.loops(_joints[number], settings_of(number, state)))


def band(number: int, state: State, start: float, end: float) -> dict[str, Any]:
    """The band of a move over the part spread."""
    if number not in _bands:
        _bands[number] = preview.Bands.of(_joints[number])
    return _bands[number].of_move(settings_of(number, state), start, end)


def compared(number: int, folder: str, state: State) -> dict[str, Any]:
    """The recording so far over its simulation. Raises InputError."""
    from host.page import reporting

    return reporting.compared(_joints[number], Path(folder), number, settings_of(number, state))


def report(folder: str, states: list[State]) -> str:
    """Write the run's report; its path."""
    from host.page import reporting

    settings = [settings_of(k, state) for k, state in enumerate(states)]
    return str(reporting.report(_joints, Path(folder), settings))
