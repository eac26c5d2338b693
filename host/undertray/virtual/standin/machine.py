"""Stands in for ``machine``: the calls of the RP2040 port that the firmware uses, on the stage."""

from simclock import CLOCK, IDLE_US
from stage import FRAME_US, STAGE

PWRON_RESET = 1


class Pin:
    IN = 0
    OUT = 1
    OPEN_DRAIN = 2
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=-1, pull=-1, value=None):
        self.number = number
        if value is not None:
            STAGE.put(number, value)

    def init(self, mode=-1, pull=-1, value=None):
        self.__init__(self.number, mode, pull, value)

    def value(self, level=None):
        if level is None:
            return STAGE.level(self.number)
        STAGE.put(self.number, 1 if level else 0)
        return None

    def __call__(self, level=None):
        return self.value(level)

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def irq(self, handler=None, trigger=12, hard=False):
        """Edges of the servo pulse, each at its own time."""
        if handler is not None:
            CLOCK.watchers.append(_Edges(self, handler).until)


class _Edges:
    def __init__(self, pin, handler):
        self.pin = pin
        self.handler = handler
        self.next_us = (CLOCK.now_us() // FRAME_US + 1) * FRAME_US
        self.fall_us = None
        self.inside = False

    def until(self, now):
        if self.inside:
            return
        self.inside = True
        while True:
            edge = self.next_us if self.fall_us is None else self.fall_us
            if edge > now:
                break
            if self.fall_us is None:
                width = STAGE.pulse_us(self.pin.number)
                self.next_us += FRAME_US
                if not width:
                    continue
                self.fall_us = edge + width
                STAGE.levels[self.pin.number] = 1
            else:
                self.fall_us = None
                STAGE.levels[self.pin.number] = 0
            CLOCK.at(edge, self.handler, self.pin)
        self.inside = False


class I2C:
    _made = {}

    def __new__(cls, number, sda=None, scl=None, freq=400000, timeout=50000):
        # Which pins belong to which controller: RP2040 datasheet, table of GPIO functions.
        for pin, offset, name in ((sda, 0, "SDA"), (scl, 1, "SCL")):
            if pin is not None and pin.number % 4 != 2 * number + offset:
                raise ValueError("bad {} pin".format(name))
        # The port keeps one object a controller; making it again sets it up anew.
        if number not in cls._made:
            cls._made[number] = object.__new__(cls)
        made = cls._made[number]
        made._bus = STAGE.bus(number)
        made._bus.freq = freq
        made._bus.timeout_us = timeout
        return made

    def __init__(self, number, sda=None, scl=None, freq=400000, timeout=50000):
        pass

    def readfrom_into(self, address, buf, stop=True):
        buf[:] = self._bus.read(address, len(buf))

    def readfrom(self, address, n, stop=True):
        return self._bus.read(address, n)

    def readfrom_mem_into(self, address, register, buf):
        self._bus.write(address, bytes((register,)))
        buf[:] = self._bus.read(address, len(buf))

    def writeto(self, address, buf, stop=True):
        self._bus.write(address, bytes(buf))
        return len(buf)

    def scan(self):
        return self._bus.scan()


class UART:
    """Nobody is at the other end, and it takes everything."""

    def __init__(self, id, **settings):
        pass

    def ioctl(self, request, argument):
        return 0

    def readinto(self, buf):
        return None

    def write(self, buf, start, n):
        return n


class ADC:
    def __init__(self, pin):
        self.pin = pin if isinstance(pin, int) else pin.number

    def read_u16(self):
        CLOCK.spend(2)
        part = STAGE.lines.get(self.pin)
        if part is not None and part[1] == "adc":
            return part[0].read_u16()
        for key in ("pack", "pack2"):
            pack = STAGE.board.get(key) or {}
            if pack.get("adc_pin") == self.pin:
                break
        else:
            return 0
        # 12 bits stretched to 16, as the port does it.
        volts = (
            (getattr(STAGE.world(), key + "_mv") or 0) / 1000 / pack["divider"] / pack.get("correction", 1)
        )
        code = min(max(int(volts / 3.3 * 4095 + 0.5), 0), 4095)
        return (code << 4) | (code >> 8)


class PWM:
    def __init__(self, pin, freq=50, duty_ns=0, duty_u16=None):
        self.pin = pin
        self.hz = freq
        self.duty_ns(duty_ns)

    def freq(self, hz=None):
        if hz is not None:
            self.hz = hz
        return self.hz

    def duty_ns(self, ns=None):
        if ns is None:
            return STAGE.driven.get(self.pin.number, 0) * 1000
        STAGE.drive(self.pin.number, ns // 1000)
        return None

    def deinit(self):
        STAGE.drive(self.pin.number, 0)


class WDT:
    """Resets the board when it is not fed; cannot be stopped."""

    def __init__(self, id=0, timeout=5000):
        self.limit_us = timeout * 1000
        self.fed_us = CLOCK.now_us()
        STAGE.watchdog = self
        CLOCK.watchers.append(self.look)

    def feed(self):
        self.fed_us = CLOCK.now_us()

    def look(self, now):
        if now - self.fed_us > self.limit_us and STAGE.watchdog is self:
            STAGE.watchdog = None
            reset()


class Timer:
    ONE_SHOT = 0
    PERIODIC = 1

    def __init__(self, id=-1, **settings):
        raise NotImplementedError("no interrupts here: slots come between two turns of the loop")


def unique_id():
    return STAGE.uid


def idle():
    CLOCK.pause(IDLE_US)


def freq(hz=None):
    return 125000000


def reset():
    """All pins go to rest, then the processor begins again: here, the program ends."""
    for pin in STAGE.driven:
        STAGE.drive(pin, 0)
    raise SystemExit(3)


def reset_cause():
    return PWRON_RESET


def disable_irq():
    """Nothing interrupts here: slots come between two turns of the loop."""
    return 0


def enable_irq(state):
    pass
