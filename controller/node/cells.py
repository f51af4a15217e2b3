"""What the machine code and the Python around it share: names of four-octet cells, numbers of calls.

``HEAD`` begins the memory of a board, ``SLOT`` that of each joint; the C is made of the same rows
(``sim/translate/realtime.py``).
"""

HEAD = (
    "count", "tick_us", "now_us", "tick", "edge_us", "running", "has_lease", "beat_us", "lease_us",
    "outside", "cut", "late", "most_late_us", "turns", "every", "fields", "groups", "gate", "ring_in", "ring_out",
    "dropped", "sequence", "converter", "supply", "supply_counts", "supply_scale", "supply_V", "hard", "argument_0", "argument_1", "argument_2",
    "argument_3", "slots_at", "slot_cells", "group_at", "group_cells", "wire_at", "staged_at", "settings_at",
    "settings_cells", "hard_at",
)  # fmt: skip
SLOT = (
    "mode", "fault", "fault_tick", "applied", "asked", "closed", "counts", "second_counts", "level_0", "level_1",
    "wiper", "second_wiper", "oversampling", "counts_top", "compare_0", "compare_1", "shift_0", "shift_1",
    "pulse", "pulsed", "full", "drive", "current_A", "rest_V", "emf_V_s",
)  # fmt: skip
CALLS = (
    "tick",
    "judge",
    "begin",
    "turn",
    "stage",
    "apply",
    "target",
    "stream",
    "hold",
    "ask",
    "fail",
    "trial",
    "rows",
)
REALS = ("supply_scale", "supply_V", "rest_V", "emf_V_s", "drive", "current_A")
"""Cells that hold a real number; all others a whole one."""
GROUPS = 4
GROUP = ("mask", "width", "rows", "filled")
HARD = 16
"""Hard limits of a board, each as cell, 1 for a whole number, lowest, highest."""
