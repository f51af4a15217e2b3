"""Recordings: one folder per run, crash-safe, read back by one reader.

    telemetry.csv   header with units; a row a tick; flushed at least every 0.5 s
    events.jsonl    one event a line: mode changes, faults, gaps, marks, health
    run.json        joint files, settings, digests, versions, seed, port, time
A killed host loses half a second at most. Gaps are marked as events and left
open. Reading tolerates a torn last line. Simulated runs write the same format.
"""

import csv
import json
import queue
import threading
import time
from datetime import UTC, datetime
from math import isnan
from pathlib import Path
from typing import Any

import numpy as np

from host.link.bridge import Rows
from host.migration import migrated
from sim.errors import InputError
from sim.run.metrics import MODE_NAMES

FLUSH_S = 0.4
MOST_WAITING = 20_000
"""Frames and events that may wait for the disk: beyond, it does not keep up."""
DRAIN_S = 60.0
LATE_TICKS = 400

FORMAT = 2
"""Of what is written; every older one is read."""
RENAMED = (("want_rad", "setpoint_rad"),)
"""Columns of the format before each, newest change first: old name, new name."""


def column(joint: int, name: str, joints: int) -> str:
    """Name of a telemetry column: plain for one joint, numbered for several."""
    return name if joints == 1 else f"joint{joint}.{name}"


class Recorder:
    """Writes one run while it happens, on a thread of its own."""

    def __init__(self, folder: Path, about: dict[str, Any], joints: int, fields: list[str],
                 tick_s: float, every: int = 1) -> None:  # fmt: skip
        """Make the folder and write run.json. Raises InputError."""
        from host.files import make_folder, write_whole

        if folder.exists() and not folder.is_dir():
            raise InputError(str(folder), "", None, "is a file; name another folder")
        self.folder = make_folder(folder)
        if any(folder.iterdir()):
            raise InputError(str(folder), "", None, "holds a run already; name another folder")
        try:  # of two that begin at once, one has it
            (folder / "run.json").open("x").close()
        except FileExistsError:
            raise InputError(
                str(folder), "", None, "holds a run already; name another folder"
            ) from None
        except OSError as error:
            raise InputError(
                str(folder), "", None, f"cannot be written: {error.strerror}"
            ) from None
        self.joints, self.fields, self.tick_s, self.every = joints, fields, tick_s, every
        about = {"format": FORMAT, "begun": datetime.now(UTC).isoformat(), "joints": joints,
                 "fields": fields, "tick_s": tick_s, "every": every, **about}  # fmt: skip
        write_whole(folder / "run.json", json.dumps(about, indent=1, default=str))
        self.rows_written = 0
        self.gaps = 0
        self._queue: queue.Queue[Any] = queue.Queue(MOST_WAITING)
        self._partial: dict[int, dict[int, list[float | str]]] = {}
        self._last_tick = -1
        self._modes: dict[int, float] = {}
        self._shifts: dict[int, int] = {}
        self.failed: Exception | None = None
        self._thread = threading.Thread(target=self._work, name="recorder", daemon=True)
        self._thread.start()

    def rows(self, rows: Rows, first_joint: int = 0, ticks_on: int = 0) -> None:
        """Take telemetry (called by a link's reader thread).

        ticks_on: what to add to the board's ticks, to count as the first board does.
        """
        self._put((rows, first_joint, ticks_on))

    def event(self, name: str, data: dict[str, Any]) -> None:
        """Take an event; its time is the host's."""
        self._put((name, {"t": time.time(), "event": name, **data}))

    def check(self) -> None:
        """Raise InputError where the recording could not be written."""
        if self.failed is not None:
            reason = getattr(self.failed, "strerror", None) or str(self.failed)
            raise InputError(
                str(self.folder), "", None, f"the recording cannot be written: {reason}; what was "
                "written before can be read"
            )  # fmt: skip

    def close(self) -> None:
        """Write what is left and end. Raises InputError where it could not be written."""
        if self.failed is None:
            self._put(None)
        self._thread.join(DRAIN_S)
        if self._thread.is_alive() and self.failed is None:
            self.failed = TimeoutError(f"the disk has not taken it within {DRAIN_S:g} s")
        self.check()

    def _put(self, item: Any) -> None:
        """Hand something to the writing thread, which must keep up; never waits for it."""
        if self.failed is not None:
            return
        try:
            self._queue.put_nowait(item)
        except queue.Full:
            self.failed = TimeoutError("the disk does not keep up")

    def _work(self) -> None:
        try:
            self._write()
        except Exception as error:  # told by check(): a recording must not end in silence
            self.failed = error

    def _write(self) -> None:
        with (
            (self.folder / "telemetry.csv").open("w", newline="", encoding="utf-8") as table,
            (self.folder / "events.jsonl").open("w", encoding="utf-8") as events,
        ):
            writer = csv.writer(table)
            names = [
                column(k, name, self.joints) for k in range(self.joints) for name in self.fields
            ]
            writer.writerow(["tick", "time_s", *names])
            table.flush()
            flushed, going = time.monotonic(), True
            while going:
                try:
                    item = self._queue.get(timeout=FLUSH_S / 2)
                    going = self._take(item, writer, events)
                except queue.Empty:
                    going = self.failed is None  # nothing more is taken in
                if time.monotonic() - flushed >= FLUSH_S or not going:
                    table.flush()
                    events.flush()
                    flushed = time.monotonic()
            self._write_ready(writer, events, everything=True)

    def _take(self, item: Any, writer: Any, events: Any) -> bool:
        if item is None:
            return False
        if isinstance(item[0], str):
            events.write(json.dumps(item[1], default=str) + "\n")
            events.flush()  # events are few, and the last ones tell why a run ended
            return True
        rows, first, on = item
        before = self._shifts.setdefault(first, on)
        if abs(on - before) > self.every:  # the boards' clocks have drifted apart
            self._shifts[first] = on
            events.write(json.dumps({"t": time.time(), "event": "clock", "joint": first,
                                     "ticks_on": on}) + "\n")  # fmt: skip
        on = self._shifts[first]
        at = [rows.fields.index(name) if name in rows.fields else -1 for name in self.fields]
        for tick, values in zip(rows.ticks, rows.values, strict=True):
            if tick + on <= self._last_tick:
                continue  # written already: a clock was put back
            held = self._partial.setdefault(tick + on, {})
            for joint, numbers in zip(rows.joints, values, strict=True):
                held[first + joint] = [numbers[k] if k >= 0 else "" for k in at]
        self._write_ready(writer, events)
        return True

    def _write_ready(self, writer: Any, events: Any, everything: bool = False) -> None:
        """Write whole ticks in order; give up on parts that stay out for long."""
        newest = max(self._partial, default=0)
        for tick in sorted(self._partial):
            held = self._partial[tick]
            whole = len(held) == self.joints
            if not whole and not everything and newest - tick < LATE_TICKS:
                break
            if self._last_tick >= 0 and tick - self._last_tick > self.every:
                self.gaps += 1
                gap = {"t": time.time(), "event": "gap", "from_tick": self._last_tick,
                       "to_tick": tick}  # fmt: skip
                events.write(json.dumps(gap) + "\n")
            self._last_tick = tick
            self._note_modes(tick, held, events)
            blank: list[float | str] = [""] * len(self.fields)
            numbers = [v for k in range(self.joints) for v in held.get(k, blank)]
            shown = [v if isinstance(v, str) else f"{v:.9g}" for v in numbers]
            writer.writerow([tick, f"{tick * self.tick_s:.9g}", *shown])
            self.rows_written += 1
            del self._partial[tick]

    def _note_modes(self, tick: int, held: dict[int, list[float | str]], events: Any) -> None:
        """Write an event for every joint whose mode is another than in the row before."""
        if "mode" not in self.fields:
            return
        at = self.fields.index("mode")
        for joint in sorted(held):
            value = held[joint][at]
            if isinstance(value, str) or self._modes.get(joint) == value:
                continue
            before, self._modes[joint] = self._modes.get(joint), value
            if before is not None:
                told = {"t": time.time(), "event": "mode", "joint": joint, "tick": tick,
                        "from": mode_name(before), "to": mode_name(value)}  # fmt: skip
                events.write(json.dumps(told) + "\n")


def mode_name(value: float) -> str:
    """A mode in words; what is none, as it is."""
    whole = -1 if isnan(value) else round(value)
    return MODE_NAMES[whole] if 0 <= whole < len(MODE_NAMES) else f"{value:g}"


class Run:
    """A recording read back: ``run["angle_rad"]``, shape (n,), nan where nothing came."""

    def __init__(self, folder: Path) -> None:
        """Read a run's folder. Raises InputError."""
        self.folder = folder
        self.about = _read_json(folder / "run.json")
        for kept in self.about.get("joint_files") or []:  # with the keys of their day
            if kept.get("file"):
                kept["file"] = migrated(kept["file"])[0]
        self.columns, self.table, self.torn = _read_table(folder / "telemetry.csv")
        for old, new in RENAMED[: FORMAT - int(self.about["format"])]:
            self.columns = [one.replace(old, new) for one in self.columns]
        self.events = _read_events(folder / "events.jsonl")

    def __getitem__(self, name: str) -> np.ndarray:
        return np.asarray(self.table[:, self.columns.index(name)])

    def joint(self, k: int, name: str) -> np.ndarray:
        """A field of joint ``k``, shape (n,)."""
        return self[column(k, name, int(self.about["joints"]))]


def _read_json(path: Path) -> dict[str, Any]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError(str(path.parent), "", None, "holds no run (no run.json)") from None
    except (OSError, ValueError) as error:
        raise InputError(str(path), "", None, f"cannot be read: {error}") from None
    if not isinstance(data, dict) or data.get("format") not in range(1, FORMAT + 1):
        raise InputError(str(path), "format", None, "is not a recording of this version")
    return data


def _read_table(path: Path) -> tuple[list[str], np.ndarray, bool]:
    """Return column names, numbers (n, columns), and whether the last line was torn."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise InputError(str(path), "", None, f"cannot be read: {error.strerror}") from None
    lines = text.split("\n")
    torn = lines[-1] != ""
    lines = lines[:-1]
    if not lines:
        raise InputError(str(path), "", None, "has no header")
    columns = lines[0].rstrip("\r").split(",")
    rows = []
    for number, line in enumerate(lines[1:], 2):
        if not line.strip():  # line ends that were converted twice
            continue
        cells = line.rstrip("\r").split(",")
        if len(cells) != len(columns):
            raise InputError(str(path), f"line {number}", None,
                             f"has {len(cells)} cells, not {len(columns)}")  # fmt: skip
        try:
            rows.append([float(cell) if cell else np.nan for cell in cells])
        except ValueError:
            raise InputError(str(path), f"line {number}", line[:40], "is not a number") from None
    return columns, np.array(rows, dtype=float).reshape(len(rows), len(columns)), torn


def _read_events(path: Path) -> list[dict[str, Any]]:
    if not path.exists():
        return []
    events = []
    for line in path.read_text(encoding="utf-8", errors="replace").split("\n"):
        try:
            events.append(json.loads(line))
        except ValueError:
            continue  # a torn last line
    return events


def write_simulated(folder: Path, trace: Any, about: dict[str, Any]) -> Path:
    """Write a simulated run in the same format; return its folder. Raises InputError."""
    fields = ["angle_rad", "setpoint_rad", "allowed_V", "force_N", "speed_rad_s", "demand_V",
              "current_A", "winding_C", "supply_V", "mode", "fault", "limits"]  # fmt: skip
    sources = ["angle_rad", "setpoint_rad", "allowed_V", "tip_N", "speed_rad_s", "demand_V",
               "current_A", "winding_C", "bus_V", "mode", "fault", "limits"]  # fmt: skip
    recorder = Recorder(folder, {"simulated": True, **about}, 1, fields, trace.tick_s)
    values = np.column_stack([trace[name] for name in sources])
    ticks = np.rint(trace["time_s"] / trace.tick_s).astype(int)
    recorder.rows(Rows(ticks.tolist(), [0], fields, [[row] for row in values.tolist()], 0, 0.0))
    recorder.close()
    return folder
