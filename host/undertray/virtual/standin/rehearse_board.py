"""What the board makes of a board.json: read, built and sampled by its own firmware on good virtual parts."""

import time

from machine import ADC
from simclock import CLOCK
from stage import STAGE, load

SLOTS = 40
NACK = 4
POWER_UP_MS = 60


def rehearse(path):
    """A dict: ``faults`` (sentences, and then nothing else), ``board`` (every key filled in), ``columns`` (what
    the device note says of them), ``device_bytes``, and ``slots``: per slot the transactions
    [bus, bytes], the ADC reads, and the code of each column's reading.
    """
    from undertray.boardfile import read_board
    from undertray.rig import Rig

    CLOCK.simulate(None)
    board, faults = read_board(path)
    if not faults:
        STAGE.set({"suction_pa": []}, {})
        faults = Rig(board, 0).faults
    if faults:
        return {"faults": faults}
    STAGE.set({"suction_pa": []}, load(path))
    rig = Rig(board, 0)
    time.sleep_ms(POWER_UP_MS)
    probed = [column.probe() for column in rig.parts]
    for column, fault in zip(rig.parts, probed):
        if fault:
            faults.append("{}: {}".format(column.name, fault))
    out = {"faults": faults, "board": board, "columns": [column.describe() for column in rig.columns]}
    out["channels"] = rig.channels
    try:
        out["device_bytes"] = len(rig.device_note(board["rate_hz"]))
    except ValueError as error:
        faults.append(str(error))
    out["slots"] = _slots(rig, 1000000 // board["rate_hz"])
    return out


def _slots(rig, period_us):
    sent = []
    asked = [0]
    for number in rig.buses:
        _listen(STAGE.bus(number), number, sent)
    read_u16 = ADC.read_u16

    def counted(self):
        asked[0] += 1
        return read_u16(self)

    ADC.read_u16 = counted
    counts = [0] * (len(rig.columns) + 3)
    slots = []
    due = CLOCK.now_us()
    for k in range(SLOTS):
        del sent[:]
        asked[0] = 0
        codes = []
        for i, column in enumerate(rig.columns):
            column.sensor.want_temperature = k == SLOTS // 2 or column.sensor.want_temperature
            try:
                codes.append(column.sensor.read_into(counts, i))
            except OSError:
                codes.append(NACK)
        if rig.accelerometer is not None:
            rig.accelerometer.sensor.read_into(counts, len(rig.columns))
        if rig.pack2 is not None:
            rig.pack2.millivolts()
        slots.append({"sent": list(sent), "adc": asked[0], "codes": codes})
        due += period_us
        CLOCK.pause(max(0, due - CLOCK.now_us()))
    ADC.read_u16 = read_u16
    return slots


def _listen(bus, number, sent):
    begin = bus._begin

    def told(n):
        sent.append([number, n])
        begin(n)

    bus._begin = told
