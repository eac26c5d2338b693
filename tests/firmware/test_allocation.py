"""No allocation while sampling: under a locked heap, and by the free memory of thousands of slots.

Everything of the firmware runs: sampling, alarm, rows, notes, ring, store. Only the parts behind it are
replaced by ones that allocate nothing themselves (on a board they are C code of the port).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fakes.cells import some
from fakes.parts import FELT, SECOND_FAN
from firmware.canned import CANNED_APP
from firmware.runs import needs_micropython, run_code

pytestmark = needs_micropython

LOCKED = """
def locked(app, turns):
    '''Turns of the loop with the heap locked: an allocation raises MemoryError.'''
    why = "none"
    turn = app.turn
    pulses = app.rig.throttle._machine
    pulses2 = app.rig.throttle2._machine if app.rig.throttle2.wired else pulses
    micropython.heap_lock()
    try:
        while turns:
            turns -= 1
            pulses.left = 1
            pulses2.left = 1
            turn()
    except MemoryError:
        why = "allocated"
    finally:
        micropython.heap_unlock()
    return why
"""


def test_whole_slots_run_with_the_heap_locked(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + """
app = make(200)
app.turn()
before = app.sampler.work[19]
print(locked(app, 30000))
print(app.sampler.work[19] - before > 500, app.sampler.skipped, app.ring.dropped)
print(app.ring.port.total > 20000)
"""
    )
    # 30,000 turns of the loop are some 600 slots, so three status notes and the alarm's turn are in it
    assert run_code(tmp_path, code) == ["none", "True 0 0", "True"]


def test_alarm_stale_saturated_and_faulty_readings_do_not_allocate(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + """
app = make(200)
app.turn()
frames = [column.sensor._bus.frame for column in app.rig.columns]
frames[0][0] = 0xB0             # stale
frames[1][0] = 0xF0             # the part's own fault, to its rest and back
frames[2][0] = 0; frames[2][1] = 0   # saturated
print(locked(app, 30000), app.sampler.alarm.on, list(app.sampler.health.errors)[1] > 20)
for frame in frames:
    frame[0] = 0x20; frame[1] = 0
print(locked(app, 30000), app.sampler.alarm.on, list(app.sampler.health.state))
"""
    )
    assert run_code(tmp_path, code) == ["none True True", "none True [0, 0, 0, 0]"]


def test_a_host_that_does_not_read_costs_rows_and_no_memory(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + """
app = make(200)
app.turn()
app.ring.port.open = False
before = app.sampler.work[19]
print(locked(app, 30000), app.ring.dropped > 300, app.sampler.work[19] - before > 500, app.sampler.skipped)
"""
    )
    assert run_code(tmp_path, code) == ["none True True 0"]


def test_keeping_a_run_does_not_allocate(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + """
app = make(200)
app.turn()
app.store.on(200, app.feed)
print(locked(app, 20000), app.store.blocks.work[10] > 300)
"""
    )
    assert run_code(tmp_path, code) == ["none True"]


MORE = SECOND_FAN | FELT


def test_a_second_fan_and_an_accelerometer_do_not_allocate(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + f"""
import json
with open("more.json", "w") as file:
    file.write(json.dumps(dict(load("board.json"), **{MORE!r})))
from undertray import boardfile
given = read_board("more.json")
read_board = lambda path: given
"""
        + """
app = make(200)
app.turn()
app.store.on(200, app.feed)
print(locked(app, 10000), list(app.sampler.counts)[4:], app.store.blocks.work[10] > 150)
part = app.rig.accelerometer.sensor
part._bus.frame[0] = 0            # nothing new: it sleeps, is left alone, and asked again
print(locked(app, 60000), app.sampler.health.errors[4] > 20, app.sampler.health.state[4] > 0)
part._bus.frame[0] = 0x0F
print(locked(app, 60000), list(app.sampler.health.state), list(app.sampler.status)[4:])
"""
    )
    # the pack: 40000 of 65535 of 3300 mV is 2014, times 6.1
    assert run_code(tmp_path, code) == [
        "none [291, -1911, -2048, 1500, 12285] True",
        "none True True",
        "none [0, 0, 0, 0, 0] [2, 2, 2, 0, 0]",
    ]


def test_an_allocation_would_be_found(tmp_path: Path) -> None:
    code = (
        CANNED_APP
        + LOCKED
        + """
app = make(200)
app.turn()
old = app.sampler._readers[2]
def wasteful(counts, index):
    (counts, [index])
    return old(counts, index)
app.sampler._readers[2] = wasteful
print(locked(app, 300))
"""
    )
    assert run_code(tmp_path, code) == ["allocated"]


@pytest.mark.parametrize("slots", some([20_000], [100_000]))
def test_memory_of_many_slots_with_the_collector_off(tmp_path: Path, slots: int) -> None:
    code = (
        CANNED_APP
        + """
def go(app, turn, slots):
    sampler = app.sampler
    pulses = app.rig.throttle._machine
    seen = 0
    last = sampler.head[1]
    while seen < slots:
        pulses.left = 1
        turn()
        if sampler.head[1] != last:
            last = sampler.head[1]
            seen += 1
def measure():
    app = make(2000)
    turn = app.turn
    go(app, turn, 3000)
    gc.collect()
    gc.disable()
    before, sent = gc.mem_free(), app.ring.port.total
    go(app, turn, SLOTS)
    free = before - gc.mem_free()
    return [free, app.sampler.skipped, app.ring.dropped, (app.ring.port.total - sent) // SLOTS]
print(measure())
""".replace("SLOTS", str(slots))
    )
    *none, row_bytes = json.loads(run_code(tmp_path, code)[0])
    assert none == [0, 0, 0]
    # derived: 5, 10, 4, 1 and 4 x 5 figures, 8 commas, check and line feed are 53 at most
    assert 45 <= row_bytes <= 53
