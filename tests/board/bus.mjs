// What hangs on the I2C pins: parts and multiplexers, reached by the chip's I2C block or by pins that are driven bit by bit.

// A 14-bit bridge part (HSC, HSC-like): two status bits, 14 of pressure, 11 of temperature.
export class Bridge {
  constructor(look) {
    this.look = look; // (ns) => {count, status}
    this.bytes = [0, 0, 0, 0];
  }
  start(read, ns) {
    if (!read) return;
    const { count, temperature = 0x300, status = 0 } = this.look(ns);
    this.bytes = [(status << 6) | (count >> 8), count & 255, temperature >> 3, (temperature & 7) << 5];
    this.next = 0;
  }
  read() {
    return this.bytes[this.next++ & 3];
  }
  write() {
    return true;
  }
  stop() {}
}

const crc8 = (bytes) => {
  let value = 0xff;
  for (const byte of bytes) {
    value ^= byte;
    for (let k = 0; k < 8; k++) value = value & 0x80 ? ((value << 1) ^ 0x131) & 0xff : value << 1;
  }
  return value;
};

// A 16-bit part that measures from its start command on (SDP3x): three words with a check each, for ever.
export class Continuous {
  constructor(look, perPascal) {
    Object.assign(this, { look, perPascal, running: false, taken: [] });
  }
  start(read, ns) {
    if (read) {
      const words = [this.look(ns).count - 8192, 25 * 200, this.perPascal];
      const two = words.map((word) => [(word >> 8) & 0xff, word & 0xff]);
      this.bytes = two.flatMap((pair) => [...pair, crc8(pair)]);
    }
    this.next = 0;
    this.taken = [];
    return !read || this.running; // idle it does not answer a read
  }
  read() {
    return this.bytes[this.next++ % 9];
  }
  write(value) {
    this.taken.push(value);
    const word = (this.taken[0] << 8) | this.taken[1];
    if (this.taken.length === 2 && word === 0x3615) this.running = true;
    if (this.taken.length === 2 && word === 0x3ff9) this.running = false;
    return true;
  }
  stop() {}
}

// A 24-bit part that measures when told to (ABP2, DLHR): seven bytes, a status in front, busy meanwhile.
export class Triggered {
  constructor(look, conversionNs) {
    Object.assign(this, { look, conversionNs, doneNs: 0, bytes: [0x40, 0, 0, 0, 0, 0, 0] });
  }
  start(read, ns) {
    this.ns = ns;
    this.next = 0;
    if (read && ns >= this.doneNs && this.pending) {
      const value = this.look(this.pending).count << 10;
      this.bytes = [0x40, value >> 16, (value >> 8) & 0xff, value & 0xff, 0x66, 0x66, 0x66];
      this.pending = 0;
    }
    this.busy = ns < this.doneNs;
    return true;
  }
  read() {
    const byte = this.bytes[this.next++ % 7];
    return this.next === 1 && this.busy ? 0x60 : byte;
  }
  write() {
    if (++this.next === 3 && !this.busy) Object.assign(this, { pending: this.ns, doneNs: this.ns + this.conversionNs });
    return true;
  }
  stop() {}
}

// An accelerometer (LIS3DH): registers, and a reading at its own rate once it is told to measure.
export class Accelerometer {
  constructor(look) {
    Object.assign(this, { look, registers: new Uint8Array(128), pointer: 0, onwards: false, seen: -1 }); // (ns) => [x, y, z]
    this.registers[0x0f] = 0x33;
    this.registers[0x20] = 7;
  }
  start(read, ns) {
    this.first = !read;
    const rate = { 5: 100, 6: 200, 7: 400, 9: 1344 }[this.registers[0x20] >> 4];
    const number = Math.floor((ns * rate) / 1e9);
    if (!read || !rate || number === this.seen) return;
    this.seen = number;
    this.registers[0x27] = 0x0f;
    this.look(ns).forEach((count, i) => {
      this.registers[0x28 + 2 * i] = (count << 4) & 0xff;
      this.registers[0x29 + 2 * i] = (count >> 4) & 0xff;
    });
  }
  read() {
    const byte = this.registers[this.pointer];
    if (this.pointer === 0x2d) this.registers[0x27] = 0;
    if (this.onwards) this.pointer += 1;
    return byte;
  }
  write(value) {
    if (this.first) Object.assign(this, { first: false, pointer: value & 0x7f, onwards: value > 0x7f });
    else this.registers[this.pointer] = value;
    return true;
  }
  stop() {}
}

// A multiplexer of eight channels: one byte chooses the channels, which change at the stop.
class Multiplexer {
  constructor() {
    this.mask = 0;
    this.channels = Array.from({ length: 8 }, () => new Map());
  }
  start() {}
  read() {
    return this.mask;
  }
  write(value) {
    this.chosen = value;
    return true;
  }
  stop() {
    this.mask = this.chosen ?? this.mask;
    this.chosen = undefined;
  }
  find(address) {
    return this.channels.find((parts, i) => this.mask & (1 << i) && parts.has(address))?.get(address);
  }
}

export class Bus {
  constructor(clock) {
    this.clock = clock;
    this.parts = new Map();
    this.silent = () => false; // (address, s) => whether the part there does not answer
    this.held = false; // a part holds SDA low
  }
  place(address, part, place = null) {
    if (place === null) return this.parts.set(address, part);
    const [at, channel] = place;
    if (!this.parts.has(at)) this.parts.set(at, new Multiplexer());
    return this.parts.get(at).channels[channel].set(address, part);
  }
  connect(address, read) {
    this.part = undefined;
    if (this.silent(address, this.clock.nanos / 1e9)) return false;
    this.part = this.parts.get(address);
    for (const each of this.parts.values()) if (!this.part && each instanceof Multiplexer) this.part = each.find(address);
    if (this.part?.start(read, this.clock.nanos) === false) this.part = undefined;
    return this.part !== undefined;
  }
  read(ack) {
    return this.part ? this.part.read(ack) : 0xff;
  }
  write(value) {
    return this.part ? this.part.write(value) : false;
  }
  stop() {
    this.part?.stop();
  }
}

// Lets a bus answer the chip's I2C block in the time that its clock settings take (data sheet 4.3.14).
export function attachBlock(chip, number, bus, busy) {
  const block = chip.i2c[number];
  const { clock } = chip;
  const EDGE_NS = 145; // rise time of a bus with 4.7 kOhm pull-ups, both edges, from memory
  const bitNs = () => ((block.sclHighPeriod + block.spikelen + 7 + block.sclLowPeriod + 1) * 1e9) / chip.clkSys + EDGE_NS;
  const due = [];
  const alarm = clock.createAlarm(() => due.shift()());
  const after = (bits, then) => {
    busy.ns += bits * bitNs();
    due.push(then);
    alarm.schedule(bits * bitNs());
  };
  let waiting = false; // a start that cannot come about while SDA is held
  block.onStart = () => {
    if (bus.held) waiting = true;
    else after(1, () => block.completeStart());
  };
  block.onReset = () => { waiting = false; };
  block.onConnect = (address, mode) => after(9, () => block.completeConnect(bus.connect(address, mode === 1)));
  block.onWriteByte = (value) => after(9, () => block.completeWrite(bus.write(value)));
  block.onReadByte = (ack) => after(9, () => block.completeRead(bus.read(ack)));
  block.onStop = () => after(1.5, () => { bus.stop(); block.completeStop(); });
  bus.released = () => {
    if (waiting) block.onStart();
    waiting = false;
  };
}

// The same bus at the pins, for a bus driven bit by bit: MicroPython does so for writes of no byte, as in a scan.
export class Pins {
  constructor(chip, bus, sda, scl) {
    Object.assign(this, { bus, sda: chip.gpio[sda], scl: chip.gpio[scl], pull: false, state: 'idle', bit: 0, byte: 0 });
    Object.assign(this, { wasData: true, wasClock: true, clocksToFree: 0 });
    this.sda.addListener(() => this.follow());
    this.scl.addListener(() => this.follow());
    this.drive();
  }
  // A part holds SDA low until it has seen so many clocks (0: for ever), or holds SCL low.
  hold(clocks, clock = false) {
    this.bus.held = true;
    this.clockHeld = clock;
    this.clocksToFree = clocks;
    this.drive();
  }
  release() {
    this.bus.held = false;
    this.clockHeld = false;
    this.drive();
    this.bus.released();
  }
  level(pin) {
    return !(pin.outputEnable && !pin.outputValue) && !(pin === this.scl && this.clockHeld);
  }
  drive() {
    this.scl.setInputValue(this.level(this.scl));
    this.sda.setInputValue(this.level(this.sda) && !this.pull && !(this.bus.held && !this.clockHeld));
  }
  follow() {
    const data = this.level(this.sda) && !this.pull;
    const clock = this.level(this.scl);
    const { wasClock, wasData } = this;
    if (this.bus.held && wasClock && !clock && this.clocksToFree && !--this.clocksToFree) this.release();
    if (wasClock && clock && wasData && !data) Object.assign(this, { state: 'address', bit: 0, byte: 0 });
    else if (wasClock && clock && !wasData && data && this.state !== 'idle') {
      Object.assign(this, { state: 'idle', pull: false });
      this.bus.stop();
    } else if (!wasClock && clock && this.state !== 'idle') this.rise(data);
    else if (wasClock && !clock && this.state !== 'idle') this.fall();
    this.wasData = this.level(this.sda) && !this.pull;
    this.wasClock = clock;
    this.drive();
  }
  rise(data) {
    if (this.state === 'sending') {
      if (this.bit === 9) this.wanted = !data;
    } else if (this.bit >= 1 && this.bit <= 8) this.byte = (this.byte << 1) | (data ? 1 : 0);
  }
  fall() {
    this.bit += 1;
    if (this.state === 'sending') {
      if (this.bit === 10) this.begin(this.wanted ? 'sending' : 'done');
      else this.pull = this.bit <= 8 && !((this.byte >> (8 - this.bit)) & 1);
    } else if (this.bit === 9) {
      if (this.state === 'address') {
        this.reading = Boolean(this.byte & 1);
        this.taken = this.bus.connect(this.byte >> 1, this.reading);
      } else if (this.state === 'taking') this.taken = this.bus.write(this.byte & 255);
      this.pull = this.taken && this.state !== 'done';
    } else if (this.bit === 10) {
      if (!this.taken) this.begin('done');
      else this.begin(this.state === 'address' && this.reading ? 'sending' : 'taking');
    }
  }
  begin(state) {
    Object.assign(this, { state, bit: 1, byte: 0, pull: false });
    if (state !== 'sending') return;
    this.byte = this.bus.read(true);
    this.pull = !(this.byte >> 7);
  }
}
