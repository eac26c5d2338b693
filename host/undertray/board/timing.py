"""Whether a slot's work fits between two slots, and its rows through the link."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from undertray.board.rehearsal import Finding, Rehearsal, Slot, Weight

__all__ = ["SlotTime", "largest_rate_hz", "row_bytes", "slot_time", "timing_findings", "wire_us"]

SLOT_US = 340
"""A slot and its row on the way to the host, without any column: interrupt, alarm, loop and USB."""
QUEUED_US, QUEUED_COLUMN_US = 14, 14
"""A transaction between two others in the queues of the I2C block, and a column read so: text, alarm."""
PLAIN_ROW_US, PLAIN_ROW_COLUMN_US = 100, 30
"""The row where a column is read by its driver: it is then written after the bus, not meanwhile."""
PLAIN_US, CALL_US = 120, 50
"""A column read by its driver, and a transaction of it."""
CHANNELS_US, CHANNEL_US = 60, 20
"""What a row has behind its columns, and each number of it: fetched, and its text."""
ADC_US = 12
"""One call of ``read_u16``: 2 us of conversion, the rest an estimate."""
EDGE_US = 0.3
"""What a bit takes longer than its clock says: edges, and counts that the block adds."""
# All but ADC_US fitted to the rates that the LAYOUTS of tests/fakes/parts.py hold on the emulated RP2040
# of tests/board, at 125 MHz with MicroPython 1.28; not measured on hardware.
_QUEUED = ("HSC", "SSC", "MS4525DO", "DLVR")  # families of the firmware's burst.py
_NEAR = 0.87  # within 15 % of its limit the model may be wrong
USB_BYTES_S = 100_000
"""Slow end of what is reported of MicroPython's USB port on this family (100 kB/s to about 1 MB/s)."""
_ROW_LIMIT = 256
_STATUS_BYTES = 400
_CHANNEL_BYTES = 6  # a comma, and a sign with four digits or five digits
_SETTLED = 3
_FULL_UART = 0.9
_BAUDS = (9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600)


@dataclass(frozen=True, slots=True)
class SlotTime:
    """Time that one slot takes, us."""

    wire_us: float
    program_us: float
    overlap_us: float
    by_bus_us: Mapping[int, float]
    transactions: int

    @property
    def whole_us(self) -> float:
        """From one slot to the next at the largest rate."""
        return self.wire_us + self.program_us - self.overlap_us


def wire_us(payload: int, freq_khz: float) -> float:
    """Time of one I2C transaction.

    Parameters
    ----------
    payload : int
        Bytes besides the address.
    freq_khz : float
        Clock of the bus, kHz.

    Returns
    -------
    float
        Microseconds, without clock stretching.

    Notes
    -----
    Start, address and payload of nine bits each (eight and an acknowledge), stop:
    ``2 + 9 (1 + n)`` bits.

    References
    ----------
    NXP UM10204, I2C-bus specification and user manual, rev. 7, section 3.1.
    """
    return (2 + 9 * (1 + payload)) * 1000 / freq_khz


def slot_time(slot: Slot, rehearsal: Rehearsal) -> SlotTime:
    """Time of one slot of a rehearsal."""
    clock = {bus["bus"]: bus["freq_khz"] for bus in rehearsal.board["buses"]}
    by_bus: dict[int, float] = {}
    edges = 0.0
    for bus, payload in slot.sent:
        by_bus[bus] = by_bus.get(bus, 0.0) + wire_us(payload, clock[bus])
        edges += EDGE_US * (2 + 9 * (1 + payload))
    n = len(rehearsal.columns)
    queued = [column for column in rehearsal.columns if column["part"] in _QUEUED]
    side_by_side = dict.fromkeys(by_bus, 0.0)
    asked = 0
    for column in queued:
        side_by_side[column["bus"]] += wire_us(2, clock[column["bus"]])
        asked += 1
        if column["mux"]:
            side_by_side[column["bus"]] += wire_us(1, clock[column["bus"]])
            asked += 1
    overlap = sum(side_by_side.values()) - max(side_by_side.values(), default=0.0)
    program = SLOT_US + QUEUED_US * asked + QUEUED_COLUMN_US * len(queued) + edges + ADC_US * slot.adc_reads
    if len(queued) < n:
        program += PLAIN_ROW_US + PLAIN_ROW_COLUMN_US * n
        program += PLAIN_US * (n - len(queued)) + CALL_US * max(0, len(slot.sent) - asked)
    if rehearsal.channels:
        program += CHANNELS_US + CHANNEL_US * len(rehearsal.channels)
        if rehearsal.board["accelerometer"]:
            program += PLAIN_US
    return SlotTime(sum(by_bus.values()), program, overlap, by_bus, len(slot.sent))


def largest_rate_hz(rehearsal: Rehearsal) -> float:
    """Rate at which the board just takes every slot."""
    settled = [slot_time(slot, rehearsal).whole_us for slot in rehearsal.slots[_SETTLED:]]
    return 1e6 * len(settled) / sum(settled)


def row_bytes(rehearsal: Rehearsal) -> int:
    """Longest row that the board can send."""
    n = len(rehearsal.columns)
    digits = 0
    for column in rehearsal.columns:
        scale = column["scale"]
        most = 2**24 - 1 if "kind" in scale else max(abs(scale["min"]), abs(scale["max"])) * 1.25
        digits += len(str(int(most))) + (1 if scale.get("min", 0) < 0 else 0)
    flags = 2 + (n + 3) // 4
    channels = len(rehearsal.channels) * _CHANNEL_BYTES
    return 5 + 1 + 10 + 1 + 4 + 1 + flags + n + digits + channels + 5 + 1


def timing_findings(rehearsal: Rehearsal, baud: int | None) -> Iterator[Finding]:
    """Judge rate, buses and link."""
    rate = rehearsal.board["rate_hz"]
    times = [slot_time(slot, rehearsal) for slot in rehearsal.slots[_SETTLED:]]
    worst = max(times, key=lambda time: time.whole_us)
    largest = largest_rate_hz(rehearsal)
    share = rate / largest
    buses = ", ".join(f"bus {bus} {us:.0f} µs" for bus, us in sorted(worst.by_bus_us.items()))
    figures = (
        f"the longest slot takes {worst.wire_us:.0f} µs on the wire ({buses or 'no bus'}; "
        f"{worst.transactions} transactions) and about {worst.program_us:.0f} µs of program "
        f"(from an emulated RP2040, not from hardware); the largest rate is about {largest:.0f} Hz, "
        f"within 15 %: {rate} Hz are {share:.0%} of it"
    )
    if share > 1:
        fits = max(int(_NEAR * largest), 1)
        yield Finding(
            Weight.FAULT,
            "rate_hz",
            figures + ", so slots are skipped",
            _faster(rehearsal, f"at most {fits} Hz"),
        )
    elif share > _NEAR:
        yield Finding(
            Weight.WARNING,
            "rate_hz",
            figures + ", so slots may be skipped",
            _faster(rehearsal, "a lower rate"),
        )
    else:
        yield Finding(Weight.NOTE, "rate_hz", figures)
    yield from _repeats(rehearsal)
    yield from _felt(rehearsal)
    yield from _link(rehearsal, rate, baud)


def _faster(rehearsal: Rehearsal, rate: str) -> str:
    ways = [rate]
    slow = [bus["bus"] for bus in rehearsal.board["buses"] if bus["freq_khz"] < 400]
    if slow:
        ways.append(f"freq_khz 400 on bus {', '.join(str(bus) for bus in slow)}")
    if any(column["mux"] for column in rehearsal.columns):
        ways.append("other addresses or the second bus in place of the multiplexer")
    ways.append("fewer columns")
    return ", or ".join(ways)


def _repeats(rehearsal: Rehearsal) -> Iterator[Finding]:
    """Columns asked more often than their part measures."""
    settled = rehearsal.slots[_SETTLED:]
    for i, column in enumerate(rehearsal.columns):
        fresh = sum(slot.codes[i] in (0, 2) for slot in settled)
        if fresh and fresh < 0.9 * len(settled):
            rate = rehearsal.board["rate_hz"] * fresh / len(settled)
            yield Finding(
                Weight.WARNING,
                f"columns[{i}]",
                f"{column['part']} brings about {rate:.0f} new values a second and repeats them in between",
                f"rate_hz {int(rate)} or a little more, a faster setting of the part, or take the marked "
                "repeats as they are",
            )


def _felt(rehearsal: Rehearsal) -> Iterator[Finding]:
    """An accelerometer that takes fewer readings than there are rows."""
    part, rate = rehearsal.board["accelerometer"], rehearsal.board["rate_hz"]
    if part and part["odr_hz"] < rate:
        yield Finding(
            Weight.WARNING,
            "accelerometer",
            f"it takes {part['odr_hz']} readings a second, and {1 - part['odr_hz'] / rate:.0%} of the rows "
            "have none",
            f"'odr_hz' of {rate} or more, or take the empty fields as they are",
        )


def _link(rehearsal: Rehearsal, rate: float, baud: int | None) -> Iterator[Finding]:
    longest = row_bytes(rehearsal)
    if longest > _ROW_LIMIT:
        yield Finding(
            Weight.FAULT,
            "columns",
            f"a row can be {longest} bytes, the format allows {_ROW_LIMIT}",
            "fewer columns",
        )
    needed = longest * rate + _STATUS_BYTES
    # a UART sends ten bits a byte: start, eight, stop
    carried = USB_BYTES_S if baud is None else baud / 10
    name = f"USB at its slowest reported {carried / 1000:.0f} kB/s" if baud is None else f"{baud} baud"
    figures = f"up to {longest} bytes a row, {needed / 1000:.1f} kB/s: {needed / carried:.0%} of {name}"
    if needed > carried:
        lower = int((carried - _STATUS_BYTES) / longest)
        yield Finding(
            Weight.FAULT,
            "link",
            f"{figures}, so rows will be dropped",
            f"at most {max(lower, 1)} Hz" + ("" if baud is None else ", or a higher baud rate"),
        )
    else:
        yield Finding(Weight.NOTE, "link", figures)
    for i, link in enumerate(rehearsal.board["links"]):
        yield _besides_usb(f"links[{i}]", link, longest, rate)


def _besides_usb(where: str, link: Mapping[str, Any], longest: int, rate: float) -> Finding:
    """Whether the rows fit through one of the links that stand in the description."""
    needed = longest * rate + _STATUS_BYTES
    rows = f"up to {longest} bytes a row, {needed / 1000:.1f} kB/s"
    if link["kind"] == "wifi":
        return Finding(
            Weight.NOTE,
            where,
            f"{rows} over Wi-Fi: nobody has measured what a board's radio carries in a car",
        )
    carried = link["baud"] / 10
    figures = f"{rows}: {needed / carried:.0%} of {link['baud']} baud"
    if needed <= _FULL_UART * carried:
        return Finding(Weight.NOTE, where, figures)
    fits = int((_FULL_UART * carried - _STATUS_BYTES) / longest)
    least = next((baud for baud in _BAUDS if needed <= _FULL_UART * baud / 10), None)
    ways = [f"at most {fits} Hz"] if fits >= 1 else []
    ways += [f"'baud' {least} or more (a radio must carry it too)"] if least else []
    return Finding(
        Weight.FAULT,
        where,
        f"{figures}, more than the {_FULL_UART:.0%} that leave room for answers: rows will be dropped on it",
        ", or ".join(ways) or "fewer columns and a lower rate",
    )
