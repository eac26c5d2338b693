"""LIS3DH on the virtual bus: its registers, a new reading at its own rate, asleep until it is told to measure."""

from parts import Part

_RATES_HZ = {5: 100, 6: 200, 7: 400, 9: 1344}
_MG = (1, 2, 4, 12)  # a count of 12 bits, by range


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
        rate_hz = _RATES_HZ.get(self.registers[0x20] >> 4)
        if rate_hz is None:
            return
        number = self.clock.now_us() * rate_hz // 1000000
        if number == self.seen:
            return
        self.seen = number
        self.registers[0x27] = 0x0F
        mg = _MG[self.registers[0x23] >> 4 & 3]
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
