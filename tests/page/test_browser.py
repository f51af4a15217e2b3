"""The bench page in a real browser, on the virtual board: the order of work, STOP, what may go wrong.

Times are never asserted here; tests/bench/page.py measures them.
"""

import json
import os
import re
import signal
from pathlib import Path

import numpy as np
import pytest
import tomlkit

from controller.joint import faults
from host.recordings.recorder import Run
from sim.documentation import fault_table
from tests.waiting import until

expect = pytest.importorskip("playwright.sync_api").expect
WAIT = 60_000
PICTURES = Path(os.environ.get("JOINTLOOP_PICTURES", "jointloop-runs/pictures"))


def open_step(page, name):
    page.click(f"[data-step={name}] summary")


def arm(page):
    open_step(page, "arm")
    page.check("#cautioned")
    arm_now(page)


def arm_now(page):
    """Press Arm and wait until the joint is powered."""
    page.click("#arm")
    expect(page.locator("#state")).to_contain_text("cable can pull", timeout=WAIT)


def picture(page, name):
    PICTURES.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=str(PICTURES / f"{name}.png"))


def test_the_whole_order_of_work_by_mouse(bench, opened):
    made = bench()
    page = opened(made)
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
    expect(page.locator("#port")).to_contain_text("VIRTUAL")
    picture(page, "check-1280")
    # nothing scrolls away: STOP from top to bottom, the whole page in the window
    box = page.locator("#stop").bounding_box()
    assert box["height"] > 690
    assert page.locator("#c-drive").bounding_box()["y"] < 720
    # 1 the sensor, by "hand"
    for angle in (5, 95):
        page.locator("#hand").fill(str(angle))
        expect(page.locator("#seen")).to_contain_text(str(angle), timeout=WAIT)
    expect(page.locator("[data-step=check]")).to_have_class("done")
    # steps that move are locked, in words
    open_step(page, "jog")
    expect(page.locator("#jog-note")).to_contain_text("Locked: the drive is off")
    assert page.locator("#go").is_disabled()
    # 2 arm at low force
    arm(page)
    expect(page.locator("#state")).to_contain_text("limit 1.5 N")
    # 3 jog: one press, one move
    open_step(page, "jog")
    page.click("[data-jog='-10']")
    expect(page.locator("#setpoint")).to_contain_text("setpoint 8", timeout=WAIT)
    page.fill("#target", "20")
    page.click("#go")
    expect(page.locator("#setpoint")).to_contain_text("setpoint 20.0", timeout=WAIT)
    page.fill("#target", "400")
    page.click("#go")
    expect(page.locator("#jog-note")).to_contain_text("must lie in")
    # 4 step
    open_step(page, "sine")
    page.click("#up")
    expect(page.locator("#result")).to_contain_text("overshoot", timeout=WAIT)
    page.fill("#amplitude", "10")
    page.fill("#duration", "1")
    page.click("#sine")
    expect(page.locator("#log")).to_contain_text(": done", timeout=WAIT)
    picture(page, "sine-1280")
    # 5 gains: refused, previewed, applied, undone
    open_step(page, "gains")
    expect(page.locator("#margins")).to_contain_text("Ms", timeout=WAIT)
    kp = page.locator("#gains input[data-name=kp]")
    was = kp.input_value()
    kp.fill("99999")
    kp.press("Tab")
    expect(page.locator("#gains-note")).to_contain_text("must lie in 0 .. 1000")
    assert page.locator("#apply").is_disabled()
    kp.fill("35")
    kp.press("Tab")
    expect(page.locator("#margins")).to_contain_text("Then: Ms", timeout=WAIT)
    picture(page, "gains-1280")
    page.click("#apply")
    expect(page.locator("#gains-note")).to_contain_text("arm again", timeout=WAIT)
    expect(page.locator("#state")).to_contain_text("Drive is off", timeout=WAIT)
    page.click("#undo")
    expect(kp).to_have_value(was, timeout=WAIT)
    kp.fill("35")
    kp.press("Tab")
    expect(page.locator("#apply")).to_be_enabled(timeout=WAIT)
    page.click("#apply")
    expect(page.locator("[data-step=gains]")).to_have_class("done")
    # 6 compare, 7 save and report
    open_step(page, "compare")
    page.click("#compare")
    expect(page.locator("#compared")).to_contain_text("explains", timeout=40_000)
    picture(page, "compare-1280")
    open_step(page, "save")
    page.click("#save")
    expect(page.locator("#saved")).to_contain_text("Gains written", timeout=WAIT)
    page.click("#report")
    expect(page.locator("#saved")).to_contain_text("report.html", timeout=60_000)
    text = made.paths[0].read_text(encoding="utf-8")
    assert "# One finger joint" in text
    table = tomlkit.parse(text)["gains"]
    assert table["kp"] == "35.0 V/rad"
    assert table["provenance"]["recording"] == made.run_folder().name
    report = (made.run_folder() / "report.html").read_text(encoding="utf-8")
    assert "<svg" in report
    assert "<script" not in report
    made.close()
    run = Run(made.run_folder())
    assert len(run.table) > 1000
    assert {"mark", "settings"} <= {one["event"] for one in run.events}


def test_the_order_of_work_by_keyboard_alone(bench, opened):
    made = bench()
    page = opened(made)
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)

    def tab_to(selector):
        for _ in range(120):
            page.keyboard.press("Tab")
            if page.locator(f"{selector}:focus").count():
                return
        raise AssertionError(f"{selector} is not reached by Tab")

    def press(selector):
        tab_to(selector)
        page.keyboard.press("Enter")

    tab_to("#hand")
    page.keyboard.press("Home")
    expect(page.locator("#seen")).to_contain_text("0 ..", timeout=WAIT)
    page.keyboard.press("End")
    expect(page.locator("[data-step=check]")).to_have_class("done", timeout=WAIT)
    press("[data-step=arm] summary")
    tab_to("#cautioned")
    page.keyboard.press("Space")
    press("#arm")
    expect(page.locator("#state")).to_contain_text("cable can pull", timeout=WAIT)
    press("[data-step=jog] summary")
    press("[data-jog='-10']")
    expect(page.locator("#setpoint")).to_contain_text("setpoint", timeout=WAIT)
    tab_to("#target")
    page.keyboard.type("5")  # typing alone never moves anything
    expect(page.locator("#jog-note")).to_contain_text("Moved")
    press("[data-step=sine] summary")
    press("#down")
    expect(page.locator("#result")).to_contain_text("overshoot", timeout=WAIT)
    press("[data-step=gains] summary")
    expect(page.locator("#margins")).to_contain_text("Ms", timeout=WAIT)
    tab_to("#gains input[data-name=kp]")
    page.keyboard.press("Control+a")
    page.keyboard.type("35")
    page.keyboard.press("Tab")
    expect(page.locator("#apply")).to_be_enabled(timeout=WAIT)
    press("#apply")
    expect(page.locator("#gains-note")).to_contain_text("arm again", timeout=WAIT)
    press("[data-step=compare] summary")
    press("#compare")
    expect(page.locator("#compared")).to_contain_text("explains", timeout=WAIT)
    press("[data-step=save] summary")
    press("#save")
    expect(page.locator("#saved")).to_contain_text("Gains written", timeout=WAIT)
    press("#report")
    expect(page.locator("#saved")).to_contain_text("report.html", timeout=WAIT)
    press("[data-step=arm] summary")
    press("#arm")
    expect(page.locator("#state")).to_contain_text("cable can pull", timeout=WAIT)
    press("[data-step=jog] summary")
    tab_to("#target")
    page.keyboard.press("Escape")  # stops from inside a field
    expect(page.locator("#state")).to_contain_text("TRIPPED", timeout=WAIT)
    expect(page.locator("#stop-note")).to_contain_text("stopped")
    press("#clear")
    expect(page.locator("#state")).to_contain_text(
        "Drive is off", timeout=WAIT
    )  # never armed by it


def test_stop_under_load_by_mouse_by_escape_and_from_a_second_page(bench, opened):
    """Sixteen joints; at 200 Hz in tests/bench/page.py, for a slow computer's board would not arm."""
    made = bench(joints=16, rate="100 Hz")
    page = opened(made, 1920, 1080)
    expect(page.locator("#grid button")).to_have_count(16, timeout=WAIT)
    expect(page.locator("#grid b").last).to_contain_text("deg, drive off", timeout=WAIT)
    picture(page, "grid-1920")
    other = opened(made)
    expect(other.locator("#control")).to_contain_text("Another page controls", timeout=WAIT)
    page.click("#grid button >> nth=15")
    expect(page.locator("#name")).to_contain_text("joint 15")
    open_step(page, "arm")
    page.check("#cautioned")
    presses = (lambda: page.click("#stop"), lambda: page.keyboard.press("Escape"),
               lambda: other.click("#stop"), lambda: other.keyboard.press("Escape"))  # fmt: skip
    for press in presses:
        arm_now(page)
        press()
        expect(page.locator("#state")).to_contain_text("TRIPPED", timeout=WAIT)
        page.click("#clear")
        expect(page.locator("#state")).to_contain_text("Drive is off", timeout=WAIT)
    picture(page, "joint-1920")


def test_while_live_space_is_stop_and_no_key_moves_twice(bench, opened):
    made = bench()
    page = opened(made)
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
    state, jog = page.locator("#state"), page.locator("[data-jog='2']")

    def moves():
        return sum(one["event"] == "mark" for one in Run(made.run_folder()).events)

    def again():
        page.click("#clear")
        expect(state).to_contain_text("Drive is off", timeout=WAIT)
        open_step(page, "arm")
        arm_now(page)
        open_step(page, "jog")

    page.evaluate("document.querySelector('[data-step=arm] summary').focus()")
    page.keyboard.press("Space")  # off: it presses what has the focus
    expect(page.locator("[data-step=arm]")).to_have_attribute("open", "")
    page.check("#cautioned")
    arm_now(page)
    open_step(page, "jog")
    jog.click()
    assert until(lambda: moves() == 1)
    page.keyboard.press("Space")  # the jog button still has the focus
    expect(state).to_contain_text("TRIPPED", timeout=WAIT)
    again()
    jog.focus()
    for key in ("ArrowUp", "ArrowRight", "ArrowDown", "ArrowLeft", "PageUp", "Home"):
        page.keyboard.press(key)
    for _ in range(5):  # held: the first press, then repeats
        page.keyboard.down("Enter")
    page.keyboard.up("Enter")
    page.focus("#target")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("Space")  # typed, not meant
    page.keyboard.press("Enter")
    page.click("[data-jog='-2']")
    expect(page.locator("#jog-note")).to_contain_text("Moved")
    assert until(lambda: moves() >= 3)
    assert moves() == 3, "one by mouse, one by Enter, one by mouse"
    expect(state).to_contain_text("cable can pull")
    for focus in ("#side", "[data-step=jog] summary", "#freeze"):
        page.focus(focus)
        for _ in range(3):  # held beyond the answer: it presses nothing as it comes up
            page.keyboard.down("Space")
        expect(state).to_contain_text("TRIPPED", timeout=WAIT)
        page.keyboard.down("Space")
        page.keyboard.up("Space")
        expect(page.locator("[data-step=jog]")).to_have_attribute("open", "")
        expect(page.locator("#freeze")).to_have_text("Freeze")
        again()
    assert moves() == 3


def test_a_fault_of_the_virtual_board_is_latched_with_cause_and_cure(bench, opened):
    page = opened(bench())
    arm(page)
    page.click("#inject summary")
    page.click("#injected button:has-text('wiper torn off')")
    names = [row["name"] for row in fault_table()
             if row["number"] in (faults.WIPER_RAIL, faults.SENSOR_JUMP, faults.SENSOR_HELD)]  # fmt: skip
    expect(page.locator("#faults")).to_contain_text(re.compile("|".join(names)), timeout=WAIT)
    expect(page.locator("#faults")).to_contain_text("Cure:")
    expect(page.locator("#state")).to_contain_text("TRIPPED")
    expect(page.locator("#angle")).to_have_text(
        "no reading"
    )  # not the last good one, big and black
    expect(page.locator("#angle")).to_have_class(re.compile("stale"))
    expect(page.locator("#force")).to_have_text("-")
    expect(page.locator("#drive")).to_have_text("off")
    page.click("#clear")
    page.wait_for_timeout(300)
    expect(page.locator("#state")).to_contain_text("TRIPPED")  # the cause stands
    page.click("#injected button:has-text('mend all')")
    expect(page.locator("#inject-note")).to_contain_text("mended", timeout=WAIT)
    page.click("#clear")
    expect(page.locator("#state")).to_contain_text("Drive is off", timeout=WAIT)


def last_mode(made):
    run = Run(made.run_folder())
    return run.joint(0, "mode")[-1]


def test_gains_beyond_the_bounds_are_red_and_asked_twice(bench, opened):
    page = opened(bench())
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
    open_step(page, "gains")
    margins, note, apply = (page.locator(one) for one in ("#margins", "#gains-note", "#apply"))
    expect(margins).to_contain_text("Ms", timeout=WAIT)
    expect(margins).not_to_have_class(re.compile("bad"))
    kp = page.locator("#gains input[data-name=kp]")
    kp.fill("900")
    kp.press("Tab")
    expect(note).to_contain_text("Beyond the bounds", timeout=WAIT)
    expect(note).to_have_class(re.compile("bad"))
    expect(margins).to_have_class(re.compile("bad"))
    apply.click()
    expect(apply).to_have_text("Yes, all the same", timeout=WAIT)
    kp.fill("901")  # other gains: the yes was not for them
    kp.press("Tab")
    expect(apply).to_have_text("Apply (drive off)", timeout=WAIT)
    apply.click()
    expect(apply).to_have_text("Yes, all the same", timeout=WAIT)
    expect(note).to_contain_text("Not applied; once more")
    apply.click()
    expect(note).to_contain_text("Applied", timeout=WAIT)
    expect(apply).to_have_text("Apply (drive off)")
    open_step(page, "save")
    page.click("#save")
    expect(page.locator("#saved")).to_contain_text("not saved", timeout=WAIT)


def test_a_closed_page_takes_the_drive_off(bench, opened):
    made = bench()
    page = opened(made)
    arm(page)
    assert until(lambda: last_mode(made) == 2.0)
    page.context.close()
    assert until(lambda: last_mode(made) in (0.0, 4.0))
    events = [one["event"] for one in Run(made.run_folder()).events]
    assert "stop" in events


def test_a_killed_server_takes_the_drive_off(bench, board, opened):
    """The board is another process here, and is asked afterwards."""
    from host.errors import LinkLostError
    from host.link.bridge import Bridge
    from host.link.transport import open_url

    made = bench(ports=[board.url])
    page = opened(made)
    arm(page)
    assert until(lambda: last_mode(made) == 2.0)
    os.kill(made.process.pid, signal.SIGKILL)
    bridges = []

    def greeted():
        """The board takes another host as soon as the processes of the killed one have ended."""
        bridge = Bridge(open_url(board.url), board.url)
        try:
            bridge.greet()
        except LinkLostError:
            bridge.close()
            return False
        bridges.append(bridge)
        return True

    assert until(greeted)
    (bridge,) = bridges
    bridge.beat()
    assert until(lambda: bridge.board_tick > 0)
    assert bridge.powered == 0
    bridge.close()
    expect(page.locator("#state")).to_have_text("Not connected: nothing here moves anything",
                                                 timeout=WAIT)  # fmt: skip
    assert page.locator("#arm").is_disabled()


def test_a_lost_link_is_said_and_found_again_with_the_drive_off(bench, board, opened):
    made = bench(ports=[board.url])
    page = opened(made)
    arm(page)
    board.kill()
    expect(page.locator("#state")).to_contain_text("Link lost", timeout=WAIT)
    open_step(page, "jog")
    assert page.locator("#go").is_disabled()
    board.begin()
    expect(page.locator("#state")).to_contain_text("Drive is off", timeout=WAIT)
    expect(page.locator("#log")).to_contain_text("found again")
    assert page.locator("#go").is_disabled()
    arm(page)  # with the settings that the board was sent anew
    open_step(page, "jog")
    page.click("[data-jog='10']")
    expect(page.locator("#jog-note")).to_contain_text("Moved")
    made.close()
    run = Run(made.run_folder())
    names = [one["event"] for one in run.events]
    assert names.index("link_lost") < names.index("link_found")
    assert "gap" in names[names.index("link_lost") :]
    ticks = run["tick"]
    assert (np.diff(ticks) > 0).all()
    away_s = np.diff(ticks).max() * run.about["tick_s"]
    lost, found = (next(one["t"] for one in run.events if one["event"] == name)
                   for name in ("link_lost", "link_found"))  # fmt: skip
    assert away_s == pytest.approx(found - lost, abs=0.5)  # the ticks went on while it was away


def test_a_page_of_an_ended_session_says_so_and_offers_nothing(bench, opened):
    made = bench()
    made.url = made.url.split("#")[0] + "#a-token-of-yesterday"
    page = opened(made)
    expect(page.locator("#name")).to_contain_text("session that has ended", timeout=WAIT)
    assert page.locator("#arm").is_disabled()
    assert until(
        lambda: any("refused a connection: wrong or missing token" in line for line in made.lines)
    )


def test_freezing_and_marking_gives_numbers(bench, opened):
    page = opened(bench())
    arm(page)
    open_step(page, "jog")
    page.click("[data-jog='10']")
    seen = page.evaluate("benchNumbers().ticks[0]")
    assert until(lambda: page.evaluate("benchNumbers().ticks[0]") > seen + 450)
    page.click("#freeze")
    box = page.locator("#c-angle").bounding_box()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.99 * box["width"], box["y"] + 60, steps=4)
    page.mouse.up()
    expect(page.locator("#marked")).to_contain_text("deg, at the end")
    page.click("#freeze")
    page.select_option("#side", "right")
    assert page.locator("#stop").bounding_box()["x"] > 1000


def test_a_narrow_window_keeps_stop_and_hides_nothing(bench, opened):
    page = opened(bench(), width=420, height=860)
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
    for side in ("left", "right"):
        page.select_option("#side", side)
        picture(page, f"narrow-{side}")
        assert page.locator("#stop").bounding_box()["height"] > 830
        assert page.evaluate("document.documentElement.scrollWidth") == 420
        for name in (
            "header",
            "main",
            "aside",
        ):  # what lies below scrolls, what lies aside would be lost
            box = page.locator(name).bounding_box()
            assert box["x"] >= 0 and box["x"] + box["width"] <= 420, name
            assert page.locator(name).evaluate("e => e.scrollWidth <= e.clientWidth"), name


AXE = os.environ.get("JOINTLOOP_AXE", "")


@pytest.mark.skipif(not AXE, reason="JOINTLOOP_AXE names axe-core's axe.min.js (npm, test only)")
def test_no_serious_barrier_is_found(bench, opened):
    """axe-core by Deque Systems, rules of WCAG 2.1 A and AA (W3C Recommendation, 2018)."""
    page = opened(bench(), bypass_csp=True)
    expect(page.locator("#angle")).not_to_have_text("-", timeout=WAIT)
    page.add_script_tag(path=AXE)
    for name in ("check", "arm", "jog", "sine", "gains", "compare", "save"):
        if name != "check":
            open_step(page, name)
        found = page.evaluate("axe.run({ runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa'] })")
        told = [
            (one["id"], one["impact"], [n["target"] for n in one["nodes"]])
            for one in found["violations"]
        ]
        assert [one for one in told if one[1] in ("serious", "critical")] == [], (
            name,
            json.dumps(told),
        )
