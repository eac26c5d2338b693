// A Pico on a computer: the chip, its flash, a USB host, servo pulses, a bus, and the loop that runs them in emulated time.
import fs from 'node:fs';
import { USBCDC } from 'rp2040js';
import { Chip } from './chip.mjs';
import { Accelerometer, attachBlock, Bridge, Bus, Continuous, Pins, Triggered } from './bus.mjs';

const FILES_AT = 0xa0000; // file system of MicroPython's RPI_PICO build, to the end of 2 MB
const FILES_BYTES = 1408 * 1024;
const ERASE_NS = 45e6; // a sector of 4096 bytes, typical
const PROGRAM_NS = 0.4e6; // a page of 256 bytes, typical
const POLL_NS = 15e3; // until a full-speed host asks a bulk endpoint again
const SDA = 4;
const SCL = 5;

// Scale factors of the SDP3x as Sensirion's public driver tells them; conversion times typical, from memory.
const PER_PASCAL = { '1500Pa': 20, '500Pa': 60, '125Pa': 240 };
// What a reading is off by: the same for the same column and millisecond, from -most to most.
const noise = (column, ns, most) => {
  let bits = (Math.floor(ns / 1e6) * 16 + column + 1) | 0; // a mixer of 32 bits: shifts and odd factors
  bits = Math.imul(bits ^ (bits >>> 16), 0x45d9f3b);
  bits = Math.imul(bits ^ (bits >>> 13), 0x2c1b3c6d);
  return (((bits ^ (bits >>> 16)) >>> 0) % (2 * most + 1)) - most;
};
const part = ({ part: name, range }, look) => {
  if (name.startsWith('SDP')) return new Continuous(look, PER_PASCAL[range]);
  if (name === 'ABP2') return new Triggered(look, 4.9e6);
  if (name.startsWith('DLH')) return new Triggered(look, 2.8e6);
  return new Bridge(look);
};

export class Pico {
  // `given`: paths `micropython`, `bootrom`, `files`; `board`, the description its sensors are placed by; `ticks_us`,
  // `watch` (pins whose levels are told), `throttle_pin`.
  // `tell` takes what happens: {t, line} of USB, {t, uart, line}, {t, pin, level}, {t, flash, at, bytes}, {t, reset}.
  constructor(given, tell) {
    const chip = (this.chip = new Chip(given.ticks_us));
    this.clock = chip.clock;
    this.tell = (what) => tell({ t: this.clock.nanos / 1e9, ...what });
    this.idleNs = 0;
    this.busy = { ns: 0 };
    this.cut = false;
    this.boot(given);
    this.host();
    this.uarts();
    this.sensors(given.board);
    this.throttleUs = 0;
    this.throttle2Us = 0;
    this.receiver(given.throttle_pin ?? 16, () => this.throttleUs);
    if (given.board?.throttle2) this.receiver(given.board.throttle2.pin, () => this.throttle2Us);
    for (const pin of given.watch ?? []) chip.gpio[pin].addListener((level) => this.tell({ pin, level }));
    chip.adc.channelValues[0] = 2500;
    chip.watchdog.onWatchdogTrigger = () => {
      if (!this.cut) this.tell({ reset: 'watchdog' }); // the emulator has no chip reset: the run ends
      this.cut = true;
    };
  }

  boot({ micropython, bootrom, files }) {
    const { chip } = this;
    chip.loadBootrom(new Uint32Array(JSON.parse(fs.readFileSync(bootrom))));
    const image = fs.readFileSync(micropython);
    if (image.readUInt32LE(0) === 0x0a324655) { // UF2: blocks of 512 bytes with an address each
      for (let at = 0; at + 512 <= image.length; at += 512) {
        const bytes = image.readUInt32LE(at + 16);
        chip.flash.set(image.subarray(at + 32, at + 32 + bytes), image.readUInt32LE(at + 12) - 0x10000000);
      }
    } else chip.flash.set(image, 0);
    chip.flash.set(fs.readFileSync(files), FILES_AT);
    this.flashOps = 0;
    this.shots = null; // folder where every flash operation leaves a file system
    this.entries = new Map();
    const table = new DataView(chip.bootrom.buffer);
    for (let at = table.getUint16(0x14, true); table.getUint16(at, true); at += 4) {
      const name = String.fromCharCode(table.getUint8(at), table.getUint8(at + 1));
      this.entries.set(table.getUint16(at + 2, true) & ~1, name);
    }
    chip.core.PC = 0x10000000;
  }

  // The boot ROM's functions for the flash chip, done here; true when `pc` was one of them.
  flashFunction(pc) {
    const name = this.entries.get(pc);
    if (!['RE', 'RP', 'FC', 'IF', 'EX'].includes(name)) return false;
    const { core, flash, xip } = this.chip;
    const [at, second, third] = core.registers;
    if (name === 'RE') {
      this.flashOp('erase', at, second);
      flash.fill(0xff, at, at + second);
      this.keepShot();
      this.clock.tick(ERASE_NS * Math.ceil(second / 4096));
    } else if (name === 'RP') {
      this.flashOp('program', at, third);
      for (let i = 0; i < third; i++) flash[at + i] &= this.chip.readUint8(second + i);
      this.keepShot();
      this.clock.tick(PROGRAM_NS * Math.ceil(third / 256));
    } else if (name === 'FC') xip.flush();
    core.PC = core.LR & ~1;
    return true;
  }
  flashOp(kind, at, bytes) {
    this.tell({ flash: kind, at, bytes });
    this.flashOps += 1;
  }
  // The file system as a loss of power after this operation would leave it.
  keepShot() {
    if (this.shots !== null) fs.writeFileSync(`${this.shots}/${this.flashOps}.img`, this.files());
  }
  files() {
    return this.chip.flash.subarray(FILES_AT, FILES_AT + FILES_BYTES);
  }

  host() {
    const { chip, clock } = this;
    const usb = chip.usbCtrl;
    this.connected = false;
    this.unreadUntilNs = 0; // a host that does not read until then
    this.toBoard = [];
    this.room = null; // bytes that the board's endpoint takes now
    const cdc = (this.cdc = new USBCDC(usb));
    cdc.onDeviceConnected = () => { this.connected = true; };
    usb.packetNs = (endpoint, bytes) => {
      const held = endpoint === cdc.inEndpoint ? Math.max(0, this.unreadUntilNs - clock.nanos) : 0;
      return held + POLL_NS + ((bytes + 13) * 8e9) / 12e6;
    };
    usb.onEndpointRead = (endpoint, size) => {
      if (endpoint !== cdc.outEndpoint) return;
      this.room = size;
      this.pour();
    };
    let rest = '';
    cdc.onSerialData = (bytes) => {
      const lines = (rest + Buffer.from(bytes).toString('latin1')).split('\n');
      rest = lines.pop();
      for (const line of lines) this.tell({ line });
    };
    const frame = clock.createAlarm(() => {
      if (this.connected) usb.frame();
      frame.schedule(1e6);
    });
    frame.schedule(1e6);
  }
  send(text) {
    this.toBoard.push(...Buffer.from(text, 'latin1'));
    this.pour();
  }
  pour() {
    if (this.room === null || !this.toBoard.length) return;
    const bytes = Uint8Array.from(this.toBoard.splice(0, Math.min(this.room, 64)));
    this.room = null;
    this.chip.usbCtrl.endpointReadDone(this.cdc.outEndpoint, bytes, POLL_NS / 1000 + ((bytes.length + 13) * 8) / 12);
  }
  // The cable is pulled: no frames any more, nothing is read, and after 3 ms the chip sees a bus that sleeps.
  pull() {
    this.connected = false;
    this.unreadUntilNs = Infinity;
    this.clock.createAlarm(() => this.chip.usbCtrl.suspend()).schedule(3e6);
  }

  // What hangs on the UARTs: it hears lines, and sends bytes.
  uarts() {
    this.chip.uart.forEach((uart, number) => {
      let line = '';
      uart.onByte = (byte) => {
        if (byte !== 10) line += String.fromCharCode(byte);
        else {
          this.tell({ uart: number, line });
          line = '';
        }
      };
    });
  }

  sensors(board) {
    this.counts = null; // counts of every column; null for a saw-tooth of each
    this.noise = 0; // counts that a reading of those may be off by
    const buses = [new Bus(this.clock), new Bus(this.clock)];
    (board?.columns ?? []).forEach((column, i) => {
      if (column.adc_pin !== undefined) return;
      const tooth = (ns) => 1638 + ((i * 1009 + Math.floor(ns / 1e6)) % 13107);
      const look = (ns) => ({ count: this.counts ? this.counts[i] + noise(i, ns, this.noise) : tooth(ns), temperature: 0x300 + i });
      const place = column.mux ? [Number(column.mux[0]), column.mux[1]] : null;
      buses[column.bus].place(Number(column.address), part(column, look), place);
    });
    const felt = board?.accelerometer; // a saw-tooth of each axis, two of them below zero at times
    const axes = (ns) => [0, 1, 2].map((i) => ((Math.floor(ns / 2.5e6) + 300 * i) % 1000) - 500 * (i !== 2));
    if (felt) buses[felt.bus].place(Number(felt.address ?? 0x18), new Accelerometer(axes));
    buses.forEach((bus, number) => attachBlock(this.chip, number, bus, this.busy));
    const wired = board?.buses ?? [{ bus: 0, sda_pin: SDA, scl_pin: SCL }];
    const pins = wired.map((wires) => new Pins(this.chip, buses[wires.bus], wires.sda_pin, wires.scl_pin));
    this.bus = buses[0];
    this.pins = pins[0]; // what `hold` and `silent` are about
  }

  // A receiver's servo pulses, 50 a second; a width of 0 is none.
  receiver(number, width) {
    const pin = this.chip.gpio[number];
    const fall = this.clock.createAlarm(() => pin.setInputValue(false));
    const rise = this.clock.createAlarm(() => {
      if (width()) {
        pin.setInputValue(true);
        fall.schedule(width() * 1000);
      }
      rise.schedule(20e6);
    });
    rise.schedule(1e6);
  }

  // Runs until `untilNs`, or until `stop()`, asked now and then, or until power is cut.
  run(untilNs, stop) {
    const { chip, clock } = this;
    const { core } = chip;
    while (clock.nanos < untilNs && !this.cut && !stop()) {
      const cycleNs = 1e9 / chip.clkSys;
      for (let i = 0; i < 2000 && !this.cut; i++) {
        if (core.waiting) {
          const ns = clock.nextAlarm ? Math.max(1, clock.nanosToNextAlarm) : 1e6;
          this.idleNs += ns;
          clock.tick(ns);
          break;
        }
        if (core.PC < 0x4000 && this.flashFunction(core.PC)) continue;
        clock.tick(core.step() * cycleNs);
      }
    }
  }
}
