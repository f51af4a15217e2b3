"""What the wiring says of the joints, put into the memory of their machine code. Once, at the start; then forgotten."""

from machine import mem32

from controller.board.pins import COUNTS, PULSE_HZ
from controller.portable import const

PWM_RP2040 = const(0x40050000)  # RP2040 datasheet, 4.5.3: a slice every 20 octets
ADC_RP2040 = const(0x4004C000)  # 4.9.6: CS, RESULT; laid out as realtime.h takes them
COMPARE = const(0x0C)
TOP = const(0x10)
# places of cells and numbers of calls: as in cells.py, held by a test
_CALL_TURN = const(3)
_HEAD_NOW_US = const(2)
_HEAD_CUT = const(10)
_HEAD_TURNS = const(13)
_HEAD_CONVERTER = const(22)
_HEAD_SUPPLY = const(23)
_HEAD_SUPPLY_SCALE = const(25)
_HEAD_SUPPLY_V = const(26)
_SLOT_COUNTS = const(6)
_SLOT_LEVEL_0 = const(8)
_SLOT_WIPER = const(10)
_SLOT_SECOND_WIPER = const(11)
_SLOT_OVERSAMPLING = const(12)
_SLOT_COUNTS_TOP = const(13)
_SLOT_COMPARE_0 = const(14)
_SLOT_SHIFT_0 = const(16)
_SLOT_PULSE = const(18)
_SLOT_FULL = const(20)
_SLOT_REST_V = const(23)
_SLOT_EMF_V_S = const(24)


def join(board, joints, enter, code, memory, by_registers):
    """Hand the joints' memory to the pins, and how their machine code is entered: ``enter(code, number, memory)``."""
    board.joints = joints
    board.whole = joints.whole
    board.enter, board.code, board.memory = enter, code, memory
    board.by_registers = by_registers
    board.turn = _CALL_TURN
    board.now_at, board.turns_at, board.cut_at = _HEAD_NOW_US, _HEAD_TURNS, _HEAD_CUT
    first = [joints.slots_at + k * joints.slot_cells for k in range(joints.count)]
    board.counts_at = [at + _SLOT_COUNTS for at in first]
    board.levels_at = [at + _SLOT_LEVEL_0 for at in first]
    joints.put_head_real(_HEAD_SUPPLY_V, board.wiring.get("nominal_V", 5.0))
    joints.bind(board.wiring.get("hard_cells", []))
    for k in range(joints.count):
        tell(board, k, board.wiring["joints"][k])
    if board.supply is not None:
        full = board.wiring["supply"]["full_V"] / (4 * COUNTS)
        joints.put_head_real(_HEAD_SUPPLY_SCALE, full)
        board.whole[_HEAD_SUPPLY] = board.wiring["supply"]["pin"] - 26
    if by_registers:
        board.whole[_HEAD_CONVERTER] = ADC_RP2040
    board.wiring = None  # all of it has been told


def tell(board, k, row):
    """Put what the wiring says of a joint into its cells."""
    joints, output = board.joints, board.outputs[k]
    joints.put(k, _SLOT_COUNTS_TOP, board.tops[k])
    joints.put_real(k, _SLOT_REST_V, row.get("rest_V", 0.0))  # none said: no settings fit
    joints.put_real(k, _SLOT_EMF_V_S, row.get("emf_V_s", 0.0))
    joints.put(k, _SLOT_PULSE, int(output.pulse))
    joints.put(k, _SLOT_FULL, output.full())
    joints.put(k, _SLOT_OVERSAMPLING, board.inputs[k].count)
    joints.put(k, _SLOT_WIPER, row["wiper"] - 26)
    if board.seconds[k] is not None:
        joints.put(k, _SLOT_SECOND_WIPER, row["second_wiper"] - 26)
    if board.by_registers:
        for n in range(2):
            if row["out"][n] is not None:
                tell_output(board, k, n, row["out"][n])


def tell_output(board, k, n, pin):
    """Where the compare register of a pin lies, and how far its counter goes."""
    slice_at = PWM_RP2040 + 20 * (pin >> 1 & 7)
    top = mem32[slice_at + TOP] + 1
    board.joints.put(k, _SLOT_COMPARE_0 + n, slice_at + COMPARE)
    board.joints.put(k, _SLOT_SHIFT_0 + n, 16 * (pin & 1))
    board.joints.put(k, _SLOT_FULL, PULSE_HZ * top if board.outputs[k].pulse else top)
