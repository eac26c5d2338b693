// The RP2040 of rp2040js, with what it leaves out and these tests need: true instruction times, the cache in front of
// the flash, PIO on its own clock, USB packets and UART bytes that take their time, block resets. Each class overrides a class of the library.
// Figures are from the RP2040 data sheet (chapters 2.4 Cortex-M0+, 2.6.3 XIP, 3 PIO, 4.1 USB, 4.3 I2C) unless a line says otherwise.
import { RP2040, RPI2C, RPPIO, RPUSBController, StateMachine, ConsoleLogger, LogLevel } from 'rp2040js';
import { SimulationClock } from './node_modules/rp2040js/dist/esm/clock/simulation-clock.js';
import { CortexM0Core } from './node_modules/rp2040js/dist/esm/cortex-m0-core.js';
import { RPReset } from './node_modules/rp2040js/dist/esm/peripherals/reset.js';
import { RPUART } from './node_modules/rp2040js/dist/esm/peripherals/uart.js';

const FLASH = 0x10000000;
const RAM = 0x20000000;
const FLASH_END = 0x11000000;
const MISS_CYCLES = 60; // a line of 8 bytes over quad SPI at half the system clock; fitted to published benchmarks

// An alarm that has rung is no longer scheduled; the library cancels it once more when it is set anew, and loses another.
class Clock extends SimulationClock {
  createAlarm(ring) {
    const alarm = super.createAlarm(() => {
      alarm.scheduled = false;
      ring();
    });
    return alarm;
  }
}

class Core extends CortexM0Core {
  // One instruction; gives its cycles, waits for the flash included.
  step() {
    if (this.interruptsUpdated && this.checkForInterrupts()) this.waiting = false;
    const opcode = this.rp2040.opcodeAt(this.PC & ~1);
    let cycles = this.executeInstruction();
    const top = opcode & 0xff00;
    if (top === 0xb500 || top === 0xbd00) cycles += 1; // push with lr, pop with pc: a cycle more than the library's
    else if (opcode === 0xbf40) this.eventRegistered = true; // sev
    if (this.exceptionCycles) {
      cycles += this.exceptionCycles;
      this.exceptionCycles = 0;
    }
    return cycles + this.rp2040.xip.takeCycles();
  }
  exceptionEntry(number) {
    this.exceptionCycles += 15;
    super.exceptionEntry(number);
  }
  exceptionReturn(value) {
    this.exceptionCycles += 10;
    super.exceptionReturn(value);
  }
}

// The cache in front of the flash: 16 kB, two ways, lines of 8 bytes, the older way is replaced.
class Cache {
  constructor() {
    this.first = new Int32Array(1024);
    this.second = new Int32Array(1024);
    this.newer = new Uint8Array(1024);
    this.cycles = 0;
    this.flush();
  }
  flush() {
    this.first.fill(-1);
    this.second.fill(-1);
    this.last = -1;
  }
  access(offset) {
    const line = offset >>> 3;
    if (line === this.last) return;
    this.last = line;
    const set = line & 1023;
    const tag = line >>> 10;
    if (this.first[set] === tag) this.newer[set] = 0;
    else if (this.second[set] === tag) this.newer[set] = 1;
    else {
      this.cycles += MISS_CYCLES;
      this.newer[set] ^= 1;
      if (this.newer[set]) this.second[set] = tag;
      else this.first[set] = tag;
    }
  }
  takeCycles() {
    const cycles = this.cycles;
    this.cycles = 0;
    return cycles;
  }
}

class I2C extends RPI2C {
  writeUint32(offset, value) {
    if (offset !== 0xa0) super.writeUint32(offset, value);
    else if (!(this.enable & 1) && value) this.spikelen = value & 0xff; // IC_FS_SPKLEN: only while the block is off
  }
  // A reset of the whole block, as the driver does after a time-out.
  resetBlock() {
    Object.assign(this, { state: 0, busy: false, stop: false, pendingRestart: false, enable: 0, abortSource: 0, intRaw: 0 });
    this.rxFIFO.reset();
    this.txFIFO.reset();
    this.checkInterrupts();
    this.onReset?.();
  }
}

class Reset extends RPReset {
  readUint32(offset) {
    return offset === 0x8 ? super.readUint32(offset) & ~this.reset : super.readUint32(offset); // RESET_DONE
  }
  writeUint32(offset, value) {
    const before = this.reset;
    super.writeUint32(offset, value);
    const { i2c } = this.rp2040;
    for (const number of [0, 1]) if (this.reset & ~before & (8 << number)) i2c[number].resetBlock();
  }
}

class Machine extends StateMachine {
  // Next step on the machine's own clock.
  wind() {
    const { clock } = this.rp2040;
    if (!this.alarm) {
      this.alarm = clock.createAlarm(() => this.tick());
      this.beginNs = clock.nanos;
    }
    if (this.alarm.scheduled || !this.enabled) return;
    const passed = Math.floor((clock.nanos - this.beginNs) / this.periodNs) + 1;
    this.alarm.schedule(this.beginNs + passed * this.periodNs - clock.nanos);
  }
  get periodNs() {
    return ((this.clockDivInt || 65536) + this.clockDivFrac / 256) * 1e9 / this.rp2040.clkSys;
  }
  tick() {
    if (!this.enabled) return;
    const before = this.cycles;
    this.step();
    this.pio.checkChangedPins();
    if (!this.waiting) this.alarm.schedule(Math.max(1, this.cycles - before) * this.periodNs);
  }
  checkWait() {
    const waited = this.waiting;
    super.checkWait();
    if (waited && !this.waiting) this.wind();
  }
}

class Pio extends RPPIO {
  writeUint32(offset, value) {
    super.writeUint32(offset, value);
    if (offset === 0) this.run(); // CTRL: machines may start beside running ones
  }
  run() {
    for (const machine of this.machines) if (machine.enabled) machine.wind();
  }
}

// USB in device role: bulk packets to the host go after `packetNs(endpoint, bytes)`, both halves of a double buffer in one
// go; the host's frames and its suspend are there.
const AVAILABLE = 1 << 10;
const FULL = 1 << 15;
const SUSPENDED = 1 << 4;
const FRAME = 1 << 17;
class Usb extends RPUSBController {
  DPRAMUpdated(offset, value) {
    const endpoint = (offset - 0x80) >> 3;
    if (offset < 0x88 || offset > 0xfc || !(value & AVAILABLE)) return super.DPRAMUpdated(offset, value);
    const out = Boolean(offset & 4);
    const control = this.readEndpointControlReg(endpoint, out);
    const twice = Boolean(control & (1 << 30)) && Boolean((value >>> 16) & AVAILABLE);
    const done = AVAILABLE | (out ? 0 : FULL);
    const release = () => {
      const now = this.rp2040.usbDPRAMView.getUint32(offset, true);
      this.rp2040.usbDPRAMView.setUint32(offset, now & ~(twice ? done | (done << 16) : done), true);
    };
    if (out) {
      release();
      this.onEndpointRead?.(endpoint, value & 0x3ff);
      return undefined;
    }
    const start = this.getEndpointBufferOffset(endpoint, out);
    const packets = [this.rp2040.usbDPRAM.slice(start, start + (value & 0x3ff))];
    if (twice) packets.push(this.rp2040.usbDPRAM.slice(start + 64, start + 64 + ((value >>> 16) & 0x3ff)));
    const bytes = packets.reduce((sum, packet) => sum + packet.length, 0);
    const gone = this.rp2040.clock.createAlarm(() => {
      release();
      if (control & (1 << 29) || !(control & (1 << 30))) this.indicateBufferReady(endpoint, false);
      for (const packet of packets) this.onEndpointWrite?.(endpoint, packet);
    });
    gone.schedule(this.packetNs(endpoint, bytes));
    return undefined;
  }
  readUint32(offset) {
    if (offset === 0x48 && this.intRaw & FRAME) { // SOF_RD: reading it takes the interrupt back
      this.intRaw &= ~FRAME;
      this.checkInterrupts();
    }
    return super.readUint32(offset);
  }
  writeUint32(offset, value) {
    if (offset === 0x50) this.sieStatus &= ~(this.rawWriteValue & SUSPENDED); // SIE_STATUS
    super.writeUint32(offset, value);
  }
  frame() {
    this.sofFrameNumber = (this.sofFrameNumber + 1) & 0x7ff;
    this.intRaw |= FRAME;
    if (this.intEnable & FRAME) this.checkInterrupts();
  }
  suspend() {
    this.sieStatus |= SUSPENDED;
    this.sieStatusUpdated();
  }
}

// A UART that takes its time: 32 bytes of queue each way, ten bits a byte, interrupts at the levels set (data sheet 4.2).
const DEPTH = 32;
const LEVELS = [4, 8, 16, 24, 28]; // of UARTIFLS: an eighth, a quarter, half, three quarters, seven eighths
const RX = 1 << 4;
const TX = 1 << 5;
const RX_TIMEOUT = 1 << 6;
const OVERRUN = 1 << 10;
class Uart extends RPUART {
  begin() {
    Object.assign(this, { sent: [], sending: false, coming: [], levelSelect: 0x12, lost: 0 });
    const { clock } = this.rp2040;
    this.shift = clock.createAlarm(() => {
      this.onByte?.(this.sent.shift());
      this.sending = false;
      this.next();
      if (this.sent.length <= LEVELS[this.levelSelect & 7]) this.interruptStatus |= TX;
      this.checkInterrupts();
    });
    this.arrive = clock.createAlarm(() => {
      const byte = this.coming.shift();
      if (!this.enabled || !this.rxEnabled) this.lost += 1;
      else if (this.rxFIFO.itemCount >= DEPTH) {
        this.lost += 1;
        this.interruptStatus |= OVERRUN;
      } else this.rxFIFO.push(byte);
      if (this.rxFIFO.itemCount >= LEVELS[(this.levelSelect >> 3) & 7]) this.interruptStatus |= RX;
      this.checkInterrupts();
      this.silence.schedule(3.2 * this.byteNs);
      if (this.coming.length) this.arrive.schedule(this.byteNs);
    });
    this.silence = clock.createAlarm(() => {
      if (!this.rxFIFO.empty) this.interruptStatus |= RX_TIMEOUT;
      this.checkInterrupts();
    });
  }
  get byteNs() {
    return (10e9 * 16 * this.baudDivider) / this.rp2040.clkPeri;
  }
  // Bytes from the other end, at the speed that the board has set.
  feed(bytes) {
    const idle = !this.coming.length;
    this.coming.push(...bytes);
    if (idle) this.arrive.schedule(this.byteNs);
  }
  next() {
    if (this.sending || !this.sent.length || !this.enabled || !this.txEnabled) return;
    this.sending = true;
    this.shift.schedule(this.byteNs);
  }
  // The byte under way has left the queue of 32.
  get queued() {
    return this.sent.length - (this.sending ? 1 : 0);
  }
  get flags() {
    return (this.sending ? 1 << 3 : 0) | (this.rxFIFO.empty ? 1 << 4 : 0) | (this.queued >= DEPTH ? 1 << 5 : 0) |
      (this.rxFIFO.full ? 1 << 6 : 0) | (this.queued === 0 ? 1 << 7 : 0);
  }
  checkInterrupts() {
    this.rp2040.setInterrupt(this.irq, Boolean(this.interruptStatus & this.interruptMask));
  }
  readUint32(offset) {
    if (offset === 0x34) return this.levelSelect;
    if (offset !== 0) return super.readUint32(offset);
    const value = this.rxFIFO.pull();
    if (this.rxFIFO.itemCount < LEVELS[(this.levelSelect >> 3) & 7]) this.interruptStatus &= ~RX;
    if (this.rxFIFO.empty) this.interruptStatus &= ~RX_TIMEOUT;
    this.checkInterrupts();
    return value;
  }
  writeUint32(offset, value) {
    if (offset === 0x34) this.levelSelect = value & 0x3f;
    else if (offset === 0) {
      if (this.queued < DEPTH) this.sent.push(value & 0xff);
      else this.lost += 1;
      this.next();
      if (this.queued > LEVELS[this.levelSelect & 7]) this.interruptStatus &= ~TX;
      this.checkInterrupts();
    } else super.writeUint32(offset, value);
    if (offset === 0x30) this.next();
  }
}

const become = (object, kind) => Object.setPrototypeOf(object, kind.prototype);

export class Chip extends RP2040 {
  // `ticksUs`: what the board's microsecond counter shows at power-up.
  constructor(ticksUs = 0) {
    super(new Clock());
    this.logger = new ConsoleLogger(LogLevel.Error, false);
    this.xip = new Cache();
    this.ram16 = new Uint16Array(this.sram.buffer);
    this.bootrom16 = new Uint16Array(this.bootrom.buffer);
    become(this.core, Core).exceptionCycles = 0;
    become(this.usbCtrl, Usb);
    become(this.peripherals[0x4000c], Reset);
    for (const i2c of this.i2c) become(i2c, I2C);
    for (const uart of this.uart) become(uart, Uart).begin();
    for (const pio of this.pio) {
      become(pio, Pio);
      for (const machine of pio.machines) become(machine, Machine);
    }
    const { clock } = this;
    this.peripherals[0x40054].clock = { get nanos() { return clock.nanos + ticksUs * 1000; } };
    this.watchdog = this.peripherals[0x40058];
  }
  opcodeAt(address) {
    if (address >= RAM) return this.ram16[(address - RAM) >> 1];
    return address >= FLASH ? this.flash16[(address - FLASH) >> 1] : this.bootrom16[address >> 1];
  }
  readUint32(address) {
    if (address >= FLASH && address < FLASH_END) this.xip.access(address - FLASH);
    return super.readUint32(address);
  }
  readUint16(address) {
    if (address >= FLASH && address < FLASH_END) this.xip.access(address - FLASH);
    return super.readUint16(address);
  }
  readUint8(address) {
    if (address >= FLASH && address < FLASH_END) this.xip.access(address - FLASH);
    return super.readUint8(address);
  }
}
