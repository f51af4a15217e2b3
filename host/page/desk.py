"""Who watches, who controls, and what each may ask: the rules of the page, without any HTTP.

One page controls; others watch, and can STOP. Taking control is an explicit act that takes the drive
off first. What may be asked stands in ``orders.py``. The controlling page beats; if it closes, hangs or is hidden longer than its grace while
a joint is powered, the drive stops.
"""

import asyncio
import contextlib
import math
import struct
import threading
import time
from collections.abc import Awaitable, Callable
from concurrent.futures import Executor
from dataclasses import asdict
from pathlib import Path
from typing import Any

from controller.joint.angles import TURN_RAD
from controller.joint.settings.settings import LIMITED, Gains
from controller.records import fields
from host.page import compute, preview
from host.page.link import HEAD
from host.page.link_client import LinkClient
from host.page.opening import LOW_SHARE
from host.page.orders import SHOWN, Go, NewGains, read_order
from sim.documentation import fault_table, meanings
from sim.errors import InputError
from sim.run.closed_loop import Joint
from sim.schema import nearest
from sim.size.force import force_doubt, mode_forces
from sim.units import DEG

GRACE_S = 2.0
LOG = 200


class SecondYesError(InputError):
    """What was asked is done only if it is asked again with ``sure``."""


class Page:
    """One open page: what is to be sent to it. Telemetry is skipped ahead, never piled up."""

    def __init__(self, number: int) -> None:
        self.number = number
        self.heard_s = time.monotonic()
        self.visible = True
        self.hidden_s = self.heard_s
        """When it was hidden last (``visible`` tells whether it still is)."""
        self.words: list[dict[str, Any]] = []
        self.blocks: list[bytes] = []
        self.wake = asyncio.Event()

    def tell(self, message: dict[str, Any]) -> None:
        """Queue a message."""
        self.words.append(message)
        self.wake.set()

    def block(self, data: bytes) -> None:
        """Queue a telemetry block; a page that does not keep up loses the oldest."""
        self.blocks.append(data)
        if len(self.blocks) > 64:
            del self.blocks[:32]
        self.wake.set()


class Desk:
    """The joints on the bench and the pages that look at them."""

    def __init__(self, joints: list[Joint], link: LinkClient, paths: list[str]) -> None:
        """``open`` must be awaited before pages are let in."""
        self.joints, self.link, self.paths = joints, link, paths
        self.opened: dict[str, Any] = {}
        self.ready = asyncio.Event()
        self._workshop: Executor | None = None
        self.failed: InputError | None = None
        """Why the link could not be opened."""
        self.pages: dict[int, Page] = {}
        self.controller: int | None = None
        self.powered = False
        self.gains: list[dict[str, float]] = [{} for _ in joints]
        """Gains in force of each joint, as the link tells them."""
        self.shares = [LOW_SHARE] * len(joints)
        self.forces = [mode_forces(joint) for joint in joints]
        """What self-test and release of each may do."""
        self.doubts = [force_doubt(joint) for joint in joints]
        """How far the estimated force of each may be off, as a share."""
        self.undo: list[list[dict[str, float]]] = [[] for _ in joints]
        self.last: dict[int, tuple[float, float]] = {}
        """Angle and setpoint last seen of each joint."""
        self.log: list[dict[str, Any]] = []
        self.changed: list[dict[str, float]] = [{} for _ in joints]
        """Gains in force that differ from the file's."""
        self.refusals: dict[tuple[str, str], int] = {}
        """How often what was refused before anybody asked anything, by what and why."""
        self._number = 0
        self._gone_s = time.monotonic()
        self._tasks: set[asyncio.Task[Any]] = set()
        link.listeners.append(self.take)

    async def open(self) -> bool:
        """Wait until the boards have answered, then begin; False where they cannot be had."""
        loop = asyncio.get_running_loop()
        waiting: asyncio.Future[None] = loop.create_future()

        def wait() -> None:  # a thread of its own: an interrupt does not wait for it
            try:
                self.opened = self.link.wait_ready()
            except InputError as error:
                if self.link.ending:  # interrupted: it did not fail
                    return
                self.failed = error
            except OSError:
                return  # ended before it was ready
            with contextlib.suppress(RuntimeError):
                loop.call_soon_threadsafe(waiting.set_result, None)

        threading.Thread(target=wait, name="link-ready", daemon=True).start()
        await waiting
        if self.failed is not None:
            return False
        self.gains = self.opened["gains"]
        self.link.begin(loop)
        self.ready.set()
        self._watching = asyncio.create_task(self.watch())
        return True

    def workshop(self) -> Executor:
        """The process that computes: begun with the first page, so that it takes nobody's start."""
        if self._workshop is None:
            self._workshop = compute.executor(self.paths)
        return self._workshop

    def end(self) -> None:
        """End the process that computes."""
        if self._workshop is not None:
            self._workshop.shutdown(wait=False, cancel_futures=True)

    # --- pages

    def enter(self) -> Page:
        """Let a page in; the first one controls."""
        self.workshop()
        self._number += 1
        page = Page(self._number)
        self.pages[page.number] = page
        if self.controller is None:
            self.controller = page.number
        page.tell({"hello": self.about(page)})
        self._tell_control()
        return page

    def leave(self, page: Page) -> None:
        """A page has gone: a controlling one leaves nobody in control, and watched() sees to the drive."""
        self.pages.pop(page.number, None)
        if self.controller == page.number:
            self._gone_s = time.monotonic()
            if not self.powered:
                self.controller = None
        self._tell_control()

    def _tell_control(self) -> None:
        for page in self.pages.values():
            page.tell({"control": self.controller == page.number, "pages": len(self.pages),
                       "nobody": self.controller not in self.pages})  # fmt: skip

    def about(self, page: Page) -> dict[str, Any]:
        """What a page needs to know of the joints."""
        texts = meanings(Gains)
        rows = []
        for k, joint in enumerate(self.joints):
            limits = joint.settings.limits
            turning = joint.settings.sensor.travel != LIMITED
            rows.append({
                "name": joint.file.joint.name, "tip_force_N": joint.file.limits.tip_force,
                "low_deg": -180.0 if turning else limits.command_low_rad / DEG,
                "high_deg": 180.0 if turning else limits.command_high_rad / DEG,
                "supply_V": joint.file.drive.supply, "speed_deg_s": limits.speed_rad_s / DEG,
                "force_doubt": self.doubts[k], **asdict(self.forces[k]),
                "warm_C": joint.settings.heat.warm_C, "hot_C": joint.settings.heat.hot_C,
                "gains": self.gains[k], "rad_per_count": joint.settings.sensor.rad_per_count,
            })  # fmt: skip
        known = {name: field for name, field in fields(Gains) if name in SHOWN}
        return {
            "page": page.number, "joints": rows, "fields": self.opened["fields"],
            "tick_s": self.joints[0].settings.tick_s, "every": self.opened["every"],
            "virtual": self.opened["virtual"], "ports": self.opened["ports"],
            "folder": self.opened["folder"], "grace_s": GRACE_S,
            "gain_fields": [{"name": name, "low": one.low, "high": one.high, "unit": one.unit,
                             "meaning": texts.get(name, "")} for name, one in known.items()],
            "faults": {row["number"]: {"name": row["name"], "cause": row["cause"], "cure": row["cure"]}
                       for row in fault_table()},
            "log": self.log[-40:], "shares": self.shares, "injected": self._injected(),
        }  # fmt: skip

    def _injected(self) -> dict[str, str]:
        """What can be made to go wrong here: words and meanings; nothing on a real port."""
        from host.virtual.faults import WORDS

        return {word: meaning for word, (_, meaning) in WORDS.items() if self.opened["virtual"]}

    # --- what the link tells

    def take(self, message: tuple[Any, ...]) -> None:
        """Pass on what the link's process tells."""
        kind = message[0]
        if kind == "rows":
            self._remember(message[1])
            for page in self.pages.values():
                page.block(message[1])
        elif kind == "status":
            self.powered = bool(message[1]["powered"])
            self.shares = message[1]["shares"]
            for page in self.pages.values():
                page.tell({"status": message[1]})
        elif kind == "event":
            self.note(message[1], message[2])

    def _remember(self, data: bytes) -> None:
        first, shape, count, _ = HEAD.unpack_from(data)
        joints, wide = shape & 0xFFFF, shape >> 16
        at = HEAD.size + 4 * count + 4 * joints * wide * (count - 1)
        for k in range(joints):
            self.last[first + k] = struct.unpack_from("<ff", data, at + 4 * wide * k)

    def note(self, name: str, data: dict[str, Any]) -> None:
        """Keep an event in words' order, and tell every page."""
        row = {"event": name, "t": time.time(), **data}
        self.log.append(row)
        del self.log[:-LOG]
        if name in ("link_ended", "link_lost"):
            self.powered = False
        for page in self.pages.values():
            page.tell({"log": row})

    def refuse(self, what: str, why: str, sent: str = "") -> bool:
        """Count what was refused; tell the pages of the first, tenth, hundredth ... of a kind.

        Anybody on this computer can knock: a row for each would bury what matters. Returns whether
        it was told.
        """
        count = self.refusals.get((what, why), 0) + 1
        self.refusals[what, why] = count
        if str(count).strip("0") != "1":
            return False
        times = f", {count} times so far" if count > 1 else ""
        self.note("refused", {"what": what, "why": f"{why} {sent}".strip() + times})
        return True

    async def watch(self) -> None:
        """Stop the drive when nobody in control can be watching."""
        while True:
            await asyncio.sleep(0.1)
            if not self.powered:
                continue
            page = None if self.controller is None else self.pages.get(self.controller)
            now = time.monotonic()
            since = self._gone_s if page is None else page.heard_s
            if page is not None and not page.visible:
                since = min(since, page.hidden_s)
            silent = now - since
            if silent > GRACE_S:
                if page is None:
                    self.controller = None
                self.note("unwatched", {"seconds": round(silent, 1)})
                await self.link.stop(1)
                self._tell_control()
                await asyncio.sleep(0.5)

    # --- what a page asks

    async def ask(self, page: Page, asked: dict[str, Any]) -> None:
        """Do what a page asks and answer it; whatever is wrong is an answer in words."""
        page.heard_s = time.monotonic()
        name, number = asked.get("do"), asked.get("id")
        if not isinstance(name, str):
            return
        try:
            order, said = read_order(asked, len(self.joints))
            if self.controller != page.number and not order.watchers:
                self.note(
                    "refused", {"page": page.number, "what": name, "why": "another page controls"}
                )
                raise InputError(
                    "", "", None, "another page controls; this one watches (STOP works)"
                )
            method: Callable[..., Awaitable[dict[str, Any]]] = getattr(self, f"do_{name}")
            found = await method(page, said)
            answer = {"answer": number, "ok": True, **found}
        except InputError as error:
            answer = {"answer": number, "ok": False, "text": str(error).lstrip(": "),
                      "again": isinstance(error, SecondYesError)}  # fmt: skip
        except Exception as error:  # a page must always get its answer
            self.note("error", {"what": name, "why": repr(error)})
            answer = {"answer": number, "ok": False, "text": f"went wrong here: {error}"}
        if name != "beat":
            page.tell(answer)

    async def _linked(self, name: str, *arguments: Any) -> dict[str, Any]:
        good, found = await self.link.ask(name, *arguments)
        if not good:
            raise InputError("", "", None, str(found).lstrip(": "))
        return dict(found)

    async def do_beat(self, page: Page, said: Any) -> dict[str, Any]:
        """The page lives; visible: whether a person can see it."""
        if page.visible and not said.visible:
            page.hidden_s = time.monotonic()
        page.visible = said.visible
        return {}

    async def do_stop(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """STOP all: category 0, from any page."""
        good, found = await self.link.stop(0)
        self.note("stop", {"page": page.number})
        if not good:
            raise InputError("", "", None, f"{found}; the boards' leases end by themselves")
        return dict(found)

    async def do_control(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Take control: the drive goes off first."""
        if self.controller != page.number:
            good, found = await self.link.ask("drive_off", None)
            if not good:  # a lost board cannot answer; its lease has ended
                await asyncio.sleep(0.3)
                if self.powered:
                    raise InputError("", "", None, str(found).lstrip(": "))
            self.note("control", {"page": page.number})
            self.controller = page.number
        self._tell_control()
        return {}

    async def do_arm(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Arm one joint; a real port needs the caution's tick."""
        if not self.opened["virtual"] and not said.cautioned:
            raise InputError(
                "", "", None, "read the caution and tick it before a real motor is armed"
            )
        return await self._linked("arm", [said.joint], said.cautioned)

    async def do_drive_off(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Drive off, all joints."""
        return await self._linked("drive_off", None)

    async def do_clear(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Clear what is latched; never arms."""
        return await self._linked("clear", None)

    async def do_release(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Let go: a short weak move back, then off."""
        return await self._linked("release", [said.joint])

    async def do_jog(self, page: Page, said: Any) -> dict[str, Any]:
        """Move by some degrees from the setpoint: one press, one move."""
        there = self._setpoint(said.joint) / DEG + said.by_deg
        return await self.do_go(page, Go(joint=said.joint, angle_deg=there))

    def _setpoint(self, joint: int) -> float:
        """Setpoint (rad) of a joint, or its angle while it is off."""
        angle, setpoint = self.last.get(joint, (0.0, 0.0))
        return setpoint if self.powered else angle

    def _in_range(self, joint: int, angle_deg: float) -> float:
        """An angle (rad) within the range of a joint that has ends. Raises InputError."""
        limits = self.joints[joint].settings.limits
        low, high = limits.command_low_rad / DEG, limits.command_high_rad / DEG
        limited = self.joints[joint].settings.sensor.travel == LIMITED
        if limited and not low - 1e-6 <= angle_deg <= high + 1e-6:
            raise InputError("", "angle_deg", angle_deg, f"must lie in {low:g} .. {high:g} deg")
        return angle_deg * DEG

    async def do_go(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Move to an angle; the predicted band goes to all pages."""
        k = said.joint
        end = self._in_range(k, said.angle_deg)
        start = self._setpoint(k)
        found = await self._linked("target", k, end, "move")
        self._spawn(self._band(k, start, end, found["tick"]))
        return found

    async def _band(self, k: int, start: float, end: float, tick: int) -> None:
        found = await self._computed(compute.band, k, self._state(k), start, end)
        for page in self.pages.values():
            page.tell({"band": {"joint": k, "tick": tick, **found}})

    def _state(self, k: int) -> compute.State:
        return self.changed[k], self.shares[k]

    async def _computed(self, what: Callable[..., Any], *arguments: Any) -> Any:
        """Have something computed in the other process. Raises InputError."""
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self.workshop(), what, *arguments)

    def _spawn(self, work: Any) -> None:
        task = asyncio.get_running_loop().create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def do_sine(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Move a joint by a sine about where it is."""
        k = said.joint
        limits = self.joints[k].settings.limits
        amplitude = said.amplitude_deg * DEG
        centre = self._setpoint(k)
        if self.joints[k].settings.sensor.travel == LIMITED and not (
            limits.command_low_rad <= centre - amplitude
            and centre + amplitude <= limits.command_high_rad
        ):
            raise InputError("", "amplitude_deg", said.amplitude_deg,
                             f"leaves the range about {centre / DEG:.0f} deg")  # fmt: skip
        if amplitude * TURN_RAD * said.hertz > limits.speed_rad_s:
            raise InputError("", "hertz", said.hertz, "asks for more speed than the limit allows")
        return await self._linked("sine", k, centre, amplitude, said.hertz, said.duration_s)

    async def do_preview(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """What gains would do: margins and the predicted step, before and after."""
        k = said.joint
        gains = preview.read_gains(said.gains or {})
        then = ({**self.changed[k], **gains}, self.shares[k])
        found = await self._computed(compute.step, k, self._state(k), then)
        return {"preview": _plain(found), "gains": gains}

    async def do_apply(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Take new gains: the drive goes off, arm again. Beyond the bounds only by a second yes."""
        k = said.joint
        gains = preview.read_gains(said.gains or {})
        wrong = await self._computed(
            compute.beyond, k, ({**self.changed[k], **gains}, self.shares[k])
        )
        if wrong and not said.sure:
            raise SecondYesError("", "gains", None, f"{wrong}. Not applied; once more to apply them all "
                                 "the same, hands away: they cannot be saved")  # fmt: skip
        before = self.gains[k]
        found = await self._linked("apply", k, gains, None)
        self.undo[k].append(before)
        self.gains[k] = found["gains"]
        self.changed[k] = {**self.changed[k], **gains}
        self.note("gains", {"joint": k, "gains": self.gains[k], "was": before, "beyond": wrong})
        return {"gains": self.gains[k]}

    async def do_undo(self, page: Page, said: Any) -> dict[str, Any]:
        """Back to the gains before the last apply."""
        k = said.joint
        if not self.undo[k]:
            raise InputError("", "", None, "there is nothing to undo")
        found = await self.do_apply(page, NewGains(joint=k, gains=self.undo[k][-1], sure=said.sure))
        del self.undo[k][-2:]
        return found

    async def do_force(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Another share of the force limit: a deliberate act; the drive goes off, arm again."""
        found = await self._linked("apply", said.joint, None, said.share)
        self.shares = found["shares"]
        self.note("force", {"joint": said.joint, "share": said.share})
        return found

    async def do_inject(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Let something go wrong on a virtual board."""
        known = self._injected()
        if said.fault not in known:
            what = (
                "; " + nearest(said.fault, list(known))
                if known
                else ": only a virtual board takes faults"
            )
            raise InputError("", "fault", said.fault, "unknown" + what)
        return await self._linked("inject", said.joint, said.fault)

    async def do_hand(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Move a virtual joint as by hand: only while its drive is off."""
        if self.powered:
            raise InputError("", "", None, "the drive is on: take it off first")
        return await self._linked("hand", said.joint, self._in_range(said.joint, said.angle_deg))

    async def do_compare(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """The recording so far over its simulation."""
        k = said.joint
        folder = self.opened["folder"]
        return dict(_plain(await self._computed(compute.compared, k, folder, self._state(k))))

    async def do_save(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Put the gains in force into the joint file, provenance and remarks kept."""
        from host.page import joints, reporting

        k = said.joint
        if joints.is_hand(self.paths):
            raise InputError(self.joints[k].path, "gains", None, "belong to a joint by itself: open "
                             "its own file to save them")  # fmt: skip
        wrong = await self._computed(compute.beyond, k, self._state(k))
        if wrong:
            raise InputError(self.joints[k].path, "gains", None, f"not saved: {wrong}")
        told = reporting.save_gains(self.joints[k], preview.with_gains(self.joints[k].settings, self.gains[k]),
                                    Path(self.opened["folder"]))  # fmt: skip
        self.note("saved", {"joint": k, "file": told["file"]})
        return told

    async def do_report(self, page: Page, said: Any) -> dict[str, Any]:  # noqa: ARG002
        """Write the run's report: one HTML page."""
        states = [self._state(k) for k in range(len(self.joints))]
        path = await self._computed(compute.report, self.opened["folder"], states)
        self.note("report", {"file": path})
        return {"file": path}


def _plain(found: Any) -> Any:
    """Numbers that JSON has no word for become None."""
    if isinstance(found, dict):
        return {key: _plain(value) for key, value in found.items()}
    if isinstance(found, list | tuple):
        return [_plain(one) for one in found]
    if isinstance(found, float) and not math.isfinite(found):
        return None
    return found
