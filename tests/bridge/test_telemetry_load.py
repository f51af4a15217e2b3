"""Every row of many joints at once, for a few seconds; the five minutes are in tests/bench/link.py."""

import pytest

from host.commands.shared.loading import load
from host.link.session import Session
from tests.waiting import until


@pytest.mark.parametrize(("joints", "rate"), [(16, 200), (1, 1000)])
def test_no_frame_is_damaged_and_every_row_that_is_lost_is_counted(joint_file, joints, rate):
    text = joint_file.read_text(encoding="utf-8").replace("500 Hz", f"{rate} Hz")
    joint_file.write_text(text, encoding="utf-8")
    joint = load(joint_file)
    ticks: dict[int, list[int]] = {}
    told = [0]  # how many rows the board says it could not send
    with Session([joint] * joints) as session:
        session.send_settings()
        bridge = session.bridges[0]
        bridge.on_rows.append(lambda rows: ticks.setdefault(rows.joints[0], []).extend(rows.ticks))
        bridge.on_rows.append(lambda rows: told.append(rows.dropped))
        session.telemetry(["angle_rad", "allowed_V", "mode"], 1, 8)

        def count():
            """Ticks of the first joint that came, or that the board says it could not send."""
            return len(ticks.get(0, ())) + bridge.counters.dropped // joints

        assert until(lambda: count() >= 3 * rate and bridge.health, 120.0)
        health = dict(bridge.health)
        assert bridge.lost is None
        assert bridge.counters.bad == 0
    assert ticks
    # a busy computer cannot send everything: what it could not is counted, row by row
    missing = sum(one[-1] - one[0] + 1 - len(one) for one in ticks.values())
    assert missing <= told[-1]
    for one in ticks.values():
        assert sorted(set(one)) == one, "in order, none twice"
    assert health["bad"] == 0
