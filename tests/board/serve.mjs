// One emulated board on standard input and output: orders in, one JSON object a line; what happens out, one JSON object a line.
// The first line is what `Pico` is made of. Each order is answered, after what happened meanwhile, by {"now": seconds, ...}.
import fs from 'node:fs';
import readline from 'node:readline';
import { Pico } from './pico.mjs';

let told = [];
let awaited = null;
let heard = false;
let pico = null;
const tell = (what) => {
  told.push(JSON.stringify(what));
  if (awaited !== null && what.line?.includes(awaited)) heard = true;
};

const ORDERS = {
  run({ until_s: untilS, heard: text = null }) {
    awaited = text;
    heard = false;
    pico.run(untilS * 1e9, () => heard);
  },
  send: ({ text }) => pico.send(text),
  uart: ({ number, text }) => pico.chip.uart[number].feed(Buffer.from(text, 'latin1')),
  throttle: ({ us, us2 }) => { pico.throttleUs = us; pico.throttle2Us = us2; },
  counts: ({ counts, noise }) => { pico.counts = counts; pico.noise = noise; },
  unread: ({ until_s: untilS }) => { pico.unreadUntilNs = untilS * 1e9; },
  silent: ({ addresses }) => { pico.bus.silent = (address) => addresses.includes(address); },
  hold: ({ clocks, scl }) => pico.pins.hold(clocks, scl),
  release: () => pico.pins.release(),
  pull: () => pico.pull(),
  port: ({ open }) => pico.cdc.cdcSetControlLineState(open ? 3 : 0),
  shots: ({ folder }) => { pico.shots = folder; },
  save: ({ path }) => fs.writeFileSync(path, pico.files()),
};

for await (const line of readline.createInterface({ input: process.stdin })) {
  const order = JSON.parse(line);
  if (pico === null) pico = new Pico(order, tell);
  else ORDERS[order.do](order);
  const now = { now: pico.clock.nanos / 1e9, cut: pico.cut, idle_s: pico.idleNs / 1e9, bus_s: pico.busy.ns / 1e9 };
  process.stdout.write([...told, JSON.stringify(now)].join('\n') + '\n');
  told = [];
}
