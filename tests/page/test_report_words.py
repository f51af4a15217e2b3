"""The bench report speaks of joints, faults and degrees, and of what is real."""

from host.page.reporting import told_event
from host.report import Section, write_report
from sim.run.metrics import fault_names


def test_events_in_words():
    told = told_event(
        {"t": 1.0, "event": "fault", "joint": 1, "fault": 4, "angle_rad": 0.5}, ["base", "tip"]
    )
    assert told == f"tip, {fault_names()[4]}, angle 28.6 deg"
    told = told_event(
        {"t": 1.0, "event": "settings", "joint": 0, "gains": {"kp": 30.25, "ki": 200.0}}, ["base"]
    )
    assert told == "base, kp 30.25, ki 200"
    told = told_event(
        {"t": 1.0, "event": "stop", "category": 0, "answered_s": 0.005, "silent_boards": []}, []
    )
    assert told == "category 0, answered after 5 ms, silent boards: none"


def test_a_real_recording_is_not_called_simulation(tmp_path):
    for measured in (True, False):
        page = write_report(tmp_path / f"{measured}.html", "t", "i", [Section("s", "l")], measured)
        text = page.read_text(encoding="utf-8")
        assert ("Everything here is simulation" in text) != measured
        assert ("Recorded on a real rig" in text) == measured
