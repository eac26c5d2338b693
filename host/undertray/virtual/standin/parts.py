"""Models of the parts on the virtual bus: what each measures, and the faults that can be laid on it.

``PARTS`` at the end says which class stands for which name of board.json. ``section`` is the column's entry
there.
"""

from bus import Nack

POWER_UP_US = 5000  # deaf for the first milliseconds, from memory
INCH_PA = 249.089
PSI_PA = 6894.757
_UNITS_PA = {"M": 100.0, "B": 100000.0, "K": 1000.0, "N": INCH_PA, "P": PSI_PA}


class Part:
    """``fault``: None, "absent", or a word that the family explains (such as "part", "stale", "crc")."""

    def __init__(self, clock, pressure_pa, section):
        self.clock = clock
        self.pressure_pa = pressure_pa
        self.section = section
        self.fault = None
        self.fixed_count = None
        self.count = None
        self.nacks = 0
        self.holds_sda = False  # behind a multiplexer: holds the bus while its channel is on
        self.late_us = POWER_UP_US

    def present(self):
        return self.fault != "absent" and self.clock.now_us() >= self.late_us

    def answer(self):
        """Raise Nack where the part would not acknowledge its address."""
        if self.nacks > 0:
            self.nacks -= 1
            raise Nack()
        if not self.present():
            raise Nack()

    def temperature_c(self):
        return 25.0

    def restart(self):
        """A dip of the supply."""


def span_pa(code):
    size = float(code[:-2]) * _UNITS_PA[code[-2]]
    return (-size if code[-1] == "D" else 0.0), size


# Honeywell HSC/SSC on the virtual bus: free-running, stale bit, clipping, diagnostic status.

HSC_LIMITS = {"A": (1638, 14746), "B": (819, 15565), "C": (819, 13926), "F": (655, 15401)}
HSC_CONVERSION_US = 1000  # about 1 kHz, from memory


class Hsc(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.low_pa, self.high_pa, self.low, self.high = self.limits(section)
        self.fetched = -1

    def limits(self, section):
        """Lowest and highest pressure, and the counts at them."""
        low_pa, high_pa = span_pa(section["range"])
        low, high = HSC_LIMITS[section.get("transfer", "A")]
        return low_pa, high_pa, low, high

    def marks_repeat(self, conversion):
        return conversion == self.fetched or self.fault == "stale"

    def read(self, n):
        self.answer()
        if n < 2 or n > 4:
            raise Nack()
        conversion = self.clock.now_us() // HSC_CONVERSION_US
        status = 2 if self.marks_repeat(conversion) else 0
        self.fetched = conversion
        if status == 0 or self.count is None:
            self.count = self.count_of(self.pressure_pa())
        if self.fault == "part":
            status = 3
        elif self.fault == "command":
            status = 1
        count = self.fixed_count if self.fixed_count is not None else self.count
        raw = int((self.temperature_c() + 50) * 2047 / 200 + 0.5)
        # The low five bits of the last byte are no data: here they are set, so that nobody trusts them.
        frame = bytes(((status << 6) | (count >> 8), count & 0xFF, raw >> 3, ((raw & 7) << 5) | 0x1F))
        return frame[:n]

    def count_of(self, pressure_pa):
        share = (pressure_pa - self.low_pa) / (self.high_pa - self.low_pa)
        count = int(self.low + share * (self.high - self.low) + 0.5)
        return min(max(count, 0), 16383)

    def write(self, data):
        self.answer()
        raise Nack()  # it takes no command


# All Sensors DLVR on the virtual bus: as HSC, with 1.25 of its span in 16384 counts.


class Dlvr(Hsc):
    def limits(self, section):
        code = section["range"]  # L10D
        reach = float(code[1:-1]) * INCH_PA
        return (-reach if code[-1] == "D" else 0.0), reach, 0.1 * 16384, 0.9 * 16384


# TE MS4525DO on the virtual bus: as HSC, but its output is a share of 16383, and what repeats is marked.

MS4525DO_SHARES = {"A": (0.1, 0.8), "B": (0.05, 0.9)}


class Ms4525do(Hsc):
    """``fault`` "sleeping": a part that measures only when told to."""

    def limits(self, section):
        code = section["range"]  # 001DP: P for psi is the last letter
        low_pa, high_pa = span_pa(code[:-2] + code[-1] + code[-2])
        offset, share = MS4525DO_SHARES[section.get("transfer", "A")]
        return low_pa, high_pa, offset * 16383, (offset + share) * 16383

    def marks_repeat(self, conversion):
        return self.fault == "sleeping" or super().marks_repeat(conversion)


# Sensirion SDP3x/SDP8xx on the virtual bus: idle and continuous mode, averaging, CRC, clipping.

SDP_FACTORS = {"125Pa": 240, "500Pa": 60, "1500Pa": 20}
SDP_FIRST_US = 8000
SDP_DEAF_US = 500


def sdp_crc8(data):
    value = 0xFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = ((value << 1) ^ 0x31) & 0xFF if value & 0x80 else value << 1
    return value


def sdp_word(value):
    data = bytes(((value >> 8) & 0xFF, value & 0xFF))
    return data + bytes((sdp_crc8(data),))


class Sdp(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.factor = SDP_FACTORS[section["range"]]
        self.running_since = None
        self.deaf_until = 0
        self.flip = False

    def restart(self):
        """A dip of the supply: back to idle."""
        self.running_since = None

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if now < self.deaf_until or len(data) != 2:
            raise Nack()
        command = (data[0] << 8) | data[1]
        if command == 0x3FF9:
            if self.running_since is None:
                raise Nack()
            self.running_since = None
            self.deaf_until = now + SDP_DEAF_US
        elif command in (0x3603, 0x3608, 0x3615, 0x361E) and self.running_since is None:
            self.running_since = now
        else:
            raise Nack()  # in continuous mode only a read or the stop is taken

    def read(self, n):
        self.answer()
        now = self.clock.now_us()
        if self.running_since is None or now - self.running_since < SDP_FIRST_US or n > 9:
            raise Nack()
        if self.fixed_count is not None:
            count = self.fixed_count
        else:
            scaled = self.pressure_pa() * self.factor
            count = int(scaled + 0.5) if scaled >= 0 else -int(0.5 - scaled)
        count = min(max(count, -32768), 32767)
        temperature = int(self.temperature_c() * 200 + 0.5)
        frame = bytearray(sdp_word(count) + sdp_word(temperature) + sdp_word(self.factor))
        if self.fault == "crc":
            frame[2] ^= 0x01
        return bytes(frame[:n])


# Honeywell ABP2 on the virtual bus: command, busy, 24 bits; and the frame of seven that DLH shares.
#
# ``fault``: "absent"; "part" (the memory check of the status); "busy" (for ever); "zeros" (latched up: good
# status and nothing but zeros). A command during a conversion is counted in ``disturbed`` and starts it anew.

TRIGGERED_TOP = (1 << 24) - 1


class Triggered(Part):
    """What differs: ``commands`` to their time in us, ``line`` from Pa to counts, ``temperature_word``."""

    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.done_us = None
        self.data = bytes(6)
        self.disturbed = 0
        self.refused = 0

    def restart(self):
        """A dip of the supply: no conversion, no result."""
        self.done_us = None
        self.data = bytes(6)

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if bytes(data) not in self.commands:
            self.refused += 1
            raise Nack()
        if self.done_us is not None and now < self.done_us:
            self.disturbed += 1
        self.done_us = now + self.commands[bytes(data)]
        # The pressure is taken when the conversion begins; the result is told when it is over.
        self.result = self.frame(self.pressure_pa())

    def frame(self, pressure_pa):
        low_pa, high_pa, low, high = self.line
        count = int(low + (pressure_pa - low_pa) / (high_pa - low_pa) * (high - low) + 0.5)
        count = min(max(count, 0), TRIGGERED_TOP) if self.fixed_count is None else self.fixed_count
        raw = self.temperature_word()
        return bytes((count >> 16, count >> 8 & 255, count & 255, raw >> 16, raw >> 8 & 255, raw & 255))

    def read(self, n):
        self.answer()
        if n > 7:
            raise Nack()
        status = 0x40
        if self.done_us is not None and (self.clock.now_us() < self.done_us or self.fault == "busy"):
            status = 0x60
        elif self.done_us is not None:
            self.data = self.result
        if self.fault == "part":
            status |= 0x04
        data = bytes(6) if self.fault == "zeros" else self.data
        return (bytes((status,)) + data)[:n]


class Abp2(Triggered):
    commands = {b"\xaa\x00\x00": 4900}  # 5 ms at most

    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        low_pa, high_pa = span_pa(section["range"])
        self.line = (low_pa, high_pa, 1677722, 15099494)

    def temperature_word(self):
        return int((self.temperature_c() + 50) * TRIGGERED_TOP / 200 + 0.5)


# All Sensors DLH/DLHR on the virtual bus: five commands, and noise in the bits below its width.
#
# A byte that is no command does harm: what it then does nobody should rely on, so the model answers
# no more (``refused`` counts them).

DLH_FULL = 1 << 24
DLH_SINGLE_US = {16: 2800, 17: 3500, 18: 4100}  # 17 bits: in between
DLH_AVERAGES = {0xAA: 1, 0xAC: 2, 0xAD: 4, 0xAE: 8, 0xAF: 16}


class Dlh(Triggered):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        code = section["range"]
        reach = float(code[1:-1]) * INCH_PA
        self.line = ((-reach if code[-1] == "D" else 0.0), reach, 0.1 * DLH_FULL, 0.9 * DLH_FULL)
        self.width = section.get("bits", 16)
        single = DLH_SINGLE_US[self.width]
        self.commands = {bytes((code, 0, 0)): n * single for code, n in DLH_AVERAGES.items()}

    def write(self, data):
        try:
            super().write(data)
        except Nack:
            if self.refused:
                self.fault = "absent"
            raise

    def temperature_word(self):
        return int((self.temperature_c() + 40) * DLH_FULL / 125 + 0.5)

    def frame(self, pressure_pa):
        data = bytearray(super().frame(pressure_pa))
        # To the nearest step of its width; undefined below, so made up.
        step = 1 << (24 - self.width)
        count = (data[0] << 16 | data[1] << 8 | data[2]) + step // 2
        count = min(count, DLH_FULL - 1) & ~(step - 1) | (self.clock.now_us() & (step - 1))
        data[0], data[1], data[2] = count >> 16, count >> 8 & 255, count & 255
        return bytes(data)


# TE MS5525DSO on the virtual bus: reset, PROM with its check, one conversion at a time, and its trap.
#
# An ADC read before the conversion is over, or a second one, gives 0, and the result after that is
# wrong as well. ``fault``: "absent"; "crc" (a flipped bit in the PROM); "zeros" (an empty PROM).


# Coefficients of the data sheet's example (as in ArduPilot's simulator) and exponents of the 1 psi part.
MS5525DSO_COEFFICIENTS = (36402, 39473, 40393, 29523, 29854, 21917)
MS5525DSO_EXPONENTS = (15, 17, 7, 5, 7, 21)
MS5525DSO_PROM = (0xFFFF,) + MS5525DSO_COEFFICIENTS + (0x000C,)
MS5525DSO_RESET_US = 3000
MS5525DSO_TIMES_US = (600, 1170, 2280, 4540, 9040)
MS5525DSO_SPOILT = 0x123456


class Ms5525dso(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.prom = MS5525DSO_PROM
        self.trapped = 0  # reads that came too early or twice
        self.deaf_until = 0
        self.restart()

    def restart(self):
        self.reply = None
        self.result = None
        self.done_us = 0
        self.spoil = False

    def words(self):
        """D1 and D2 of this moment: the maker's formulas, turned round."""
        c, q = MS5525DSO_COEFFICIENTS, MS5525DSO_EXPONENTS
        delta = (self.temperature_c() - 20) * 100 * 2 ** q[5] / c[5]
        offset = c[1] * 2 ** q[1] + c[3] * delta / 2 ** q[3]
        slope = c[0] * 2 ** q[0] + c[2] * delta / 2 ** q[2]
        d1 = (self.pressure_pa() / PSI_PA * 1e4 * 2**15 + offset) * 2**21 / slope
        return min(max(int(d1 + 0.5), 1), 0xFFFFFF), int(c[4] * 2 ** q[4] + delta + 0.5)

    def write(self, data):
        self.answer()
        now = self.clock.now_us()
        if now < self.deaf_until or len(data) != 1:
            raise Nack()
        command = data[0]
        if command == 0x1E:
            self.restart()
            self.deaf_until = now + MS5525DSO_RESET_US
        elif 0xA0 <= command <= 0xAE and not command & 1:
            word = 0 if self.fault == "zeros" else self.prom[(command - 0xA0) >> 1]
            if self.fault == "crc" and command == 0xA4:
                word ^= 1
            self.reply = bytes((word >> 8, word & 255))
        elif command in (0x40, 0x42, 0x44, 0x46, 0x48, 0x50, 0x52, 0x54, 0x56, 0x58):
            self.result = self.words()[1 if command >= 0x50 else 0]
            if self.fixed_count is not None and command < 0x50:
                self.result = self.fixed_count
            if self.spoil:
                self.spoil = False
                self.result = MS5525DSO_SPOILT
            self.done_us = now + MS5525DSO_TIMES_US[(command & 15) >> 1]
        elif command == 0x00:
            word = self.result
            if word is None or now < self.done_us:
                self.trapped += 1
                self.spoil = True
                word = 0
            self.result = None
            self.reply = bytes((word >> 16, word >> 8 & 255, word & 255))
        else:
            raise Nack()

    def read(self, n):
        self.answer()
        if self.reply is None or n > len(self.reply):
            raise Nack()
        reply, self.reply = self.reply, None
        return reply[:n]


# NXP MPXV7002DP behind an ADC pin: 0.5 to 4.5 V at 5 V, a divider, 12 bits with a little noise.
#
# ``fault``: "absent" (no supply: 0 V).


class Mpxv7002(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.supply = section.get("supply_mv", 5000) / 1000
        self.divider = section.get("divider", 1)
        self.reference = section.get("reference_mv", 3300) / 1000
        self.asked = 0

    def volts(self):
        """At the pin."""
        if self.fault == "absent":
            return 0.0
        out = self.supply * (0.2 * self.pressure_pa() / 1000 + 0.5)
        return min(max(out, 0.1 * self.supply), 0.9 * self.supply) / self.divider

    def read_u16(self):
        # Sixteen steps over one code, evenly: the mean of 16 reads is finer than one code.
        self.asked += 1
        dither = (self.asked * 7 % 16 + 0.5) / 16 - 0.5
        code = int(self.volts() / self.reference * 4095 + dither + 0.5)
        code = min(max(code, 0), 4095) if self.fixed_count is None else self.fixed_count
        return (code << 4) | (code >> 8)


# TCA9548A on the virtual bus: one control byte, a bit a channel, passed on after the stop.
#
# ``fault``: "absent"; "stuck" (it takes the byte and does not switch). A part behind it that holds SDA holds
# the whole bus while its channel is on.


class Tca9548a(Part):
    def __init__(self, clock, pressure_pa, section):
        super().__init__(clock, pressure_pa, section)
        self.late_us = 0
        self.control = 0
        self.behind = []
        self.resets = 0

    def attach(self, channel, address, part):
        self.behind.append((channel, address, part))

    def find(self, address):
        """Parts with this address on the channels that are on."""
        if self.fault == "absent":
            return []
        return [part for channel, at, part in self.behind if at == address and self.control >> channel & 1]

    def holds(self):
        """Whether a part on a channel that is on keeps SDA low."""
        return any(part.holds_sda for channel, _, part in self.behind if self.control >> channel & 1)

    def reset(self):
        """Its reset pin went low, or its supply dipped: all channels off."""
        self.control = 0
        self.resets += 1

    restart = reset

    def write(self, data):
        self.answer()
        if self.fault != "stuck" and len(data):
            self.control = data[-1]  # the last byte counts

    def read(self, n):
        self.answer()
        return bytes((self.control,)) * n


# LIS3DH on the virtual bus: its registers, a new reading at its own rate, asleep until it is told to measure.

LIS3DH_RATES_HZ = {5: 100, 6: 200, 7: 400, 9: 1344}
LIS3DH_MG = (1, 2, 4, 12)  # a count of 12 bits, by range


class Lis3dh(Part):
    """``pressure_pa`` gives what it feels along the car's axes, in g: forward, right, up."""

    def __init__(self, clock, felt_g, section):
        super().__init__(clock, felt_g, section)
        self.restart()
        axes = [(0, 0, 0)] * 3
        axes[0] = forward = _axis(section.get("forward", "+x"))
        axes[2] = up = _axis(section.get("up", "+z"))
        axes[1] = [  # forward x up
            forward[1] * up[2] - forward[2] * up[1],
            forward[2] * up[0] - forward[0] * up[2],
            forward[0] * up[1] - forward[1] * up[0],
        ]
        self.axes = axes

    def restart(self):
        self.registers = bytearray(128)
        self.registers[0x0F] = 0x33
        self.registers[0x20] = 0x07  # powered down
        self.pointer = 0
        self.onwards = False
        self.seen = -1

    def write(self, data):
        self.answer()
        self.pointer = data[0] & 0x7F
        self.onwards = data[0] & 0x80 != 0
        for byte in data[1:]:
            self.registers[self.pointer] = byte
            if self.onwards:
                self.pointer += 1

    def read(self, n):
        self.answer()
        self._measure()
        out = bytearray(n)
        for i in range(n):
            out[i] = self.registers[self.pointer]
            if self.pointer == 0x2D:
                self.registers[0x27] = 0  # the last of a reading was fetched
            if self.onwards:
                self.pointer += 1
        return bytes(out)

    def _measure(self):
        rate_hz = LIS3DH_RATES_HZ.get(self.registers[0x20] >> 4)
        if rate_hz is None:
            return
        number = self.clock.now_us() * rate_hz // 1000000
        if number == self.seen:
            return
        self.seen = number
        self.registers[0x27] = 0x0F
        mg = LIS3DH_MG[self.registers[0x23] >> 4 & 3]
        felt = self.pressure_pa()
        for k in range(3):
            size = sum([felt[i] * self.axes[i][k] for i in range(3)]) * 1000 / mg
            count = min(max(int(size + 0.5 if size >= 0 else size - 0.5), -2048), 2047) << 4
            self.registers[0x28 + 2 * k] = count & 0xFF
            self.registers[0x29 + 2 * k] = count >> 8 & 0xFF


def _axis(name):
    out = [0, 0, 0]
    out["xyz".index(name[1])] = -1 if name[0] == "-" else 1
    return out


PARTS = {
    "HSC": Hsc,
    "SSC": Hsc,
    "DLVR": Dlvr,
    "MS4525DO": Ms4525do,
    "SDP3x": Sdp,
    "SDP8xx": Sdp,
    "ABP2": Abp2,
    "DLH": Dlh,
    "DLHR": Dlh,
    "MS5525DSO": Ms5525dso,
    "MPXV7002DP": Mpxv7002,
    "TCA9548A": Tca9548a,
}
