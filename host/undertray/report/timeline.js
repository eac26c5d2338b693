// The timeline that can be touched: it stands in for the still picture, from the numbers beside it.
(() => {
"use strict";
const SVG = "http://www.w3.org/2000/svg";
const MISSING = -32768;
const BRIEF = 1 / 60;  // of what is shown
const WIDE = 3, STEEP = 8;  // dots: a piece that is broader is more than a line; one that is higher is no noise

const svg = (name, attributes, parent, text) => {
  const node = document.createElementNS(SVG, name);
  for (const key in attributes) node.setAttribute(key, attributes[key]);
  if (text !== undefined) node.textContent = text;
  if (parent) parent.append(node);
  return node;
};
const html = (name, className, parent, text) => {
  const node = document.createElement(name);
  if (className) node.className = className;
  if (text !== undefined) node.textContent = text;
  if (parent) parent.append(node);
  return node;
};
const bytes = text => Uint8Array.from(atob(text), c => c.charCodeAt(0)).buffer;
const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const signed = (value, places) => {
  const text = value.toFixed(places);
  return Number(text) === 0 ? (0).toFixed(places) : text.replace("-", "\u2212");
};

// seconds, and minutes and seconds where the run is long
const clock = (t, long, places) => {
  if (!long) return t.toFixed(places) + " s";
  const tenths = Math.round(t * 10 ** places), unit = 60 * 10 ** places;
  const minutes = Math.floor(tenths / unit), rest = ((tenths - minutes * unit) / 10 ** places).toFixed(places);
  const seconds = rest.padStart(places ? places + 3 : 2, "0");
  const hours = Math.floor(minutes / 60);
  return hours ? `${hours}:${String(minutes % 60).padStart(2, "0")}:${seconds}` : `${minutes}:${seconds}`;
};

// round steps: 1, 2, 5 of seconds and of anything else; parts of minutes on a long run
const CLOCK_STEPS = [1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200];
const step = (span, count, long) => {
  const raw = span / Math.max(count, 1);
  if (long && raw > 0.5) return CLOCK_STEPS.find(s => s >= raw) || 3600 * Math.ceil(raw / 3600);
  const base = 10 ** Math.floor(Math.log10(raw));
  return base * [1, 2, 5, 10].find(m => m * base >= raw * 0.999);
};
const ticks = (low, high, by) => {
  const found = [];
  for (let k = Math.ceil(low / by - 1e-9); k * by <= high + by * 1e-9; k++) found.push(k * by);
  return found;
};
const placesOf = by => Math.max(0, Math.ceil(-Math.log10(by) - 1e-9));

class Timeline {
  constructor(box, data) {
    this.data = data;
    this.box = box;
    this.t = new Float64Array(bytes(data.t));
    const n = this.t.length;
    this.lines = data.lines.map(line => {
      const read = text => Float32Array.from(
        new Int16Array(bytes(text)), v => v === MISSING ? NaN : v * line.scale);
      const low = read(line.low);
      return {...line, low, high: line.high ? read(line.high) : low};
    });
    this.rest = this.restOf(data.rests);
    this.start = this.t[0];
    this.end = this.t[n - 1];
    this.long = this.end - this.start >= 100;
    this.from = this.start;
    this.to = this.end;
    this.shortest = Math.max((this.end - this.start) / n * 12, 0.02);
    this.at = clamp(data.at, this.start, this.end);
    this.pointers = new Map();
    this.build();
    this.layOut();
    new ResizeObserver(() => this.layOut()).observe(this.area);
  }

  // for each piece how long the time without judgement is that it lies in: 0 where it is judged
  restOf(rests) {
    let k = 0;
    return Float64Array.from(this.t, t => {
      while (k < rests.length && rests[k + 1] < t) k += 2;
      return k < rests.length && rests[k] <= t ? rests[k + 1] - rests[k] : 0;
    });
  }

  build() {
    const bar = html("div", "touch-bar", this.box);
    const button = (label, name, act) => {
      const node = html("button", "", bar, label);
      node.type = "button";
      node.setAttribute("aria-label", name);
      node.title = name;
      node.addEventListener("click", act);
    };
    button("+", "Zoom in", () => this.zoom(0.5));
    button("\u2212", "Zoom out", () => this.zoom(2));
    button("All", "Show all of the run", () => this.show(this.start, this.end));
    if (this.data.events.length) {
      button("\u2039 Event", "Event before", () => this.jump(-1));
      button("Event \u203a", "Next event", () => this.jump(1));
    }
    if (this.data.least) button("Least margin", "Moment of least margin", () => this.enlarge(this.data.least.at));
    this.clock = html("output", "touch-time", bar);

    this.area = html("div", "touch-area", this.box);
    this.area.tabIndex = 0;
    this.area.setAttribute("role", "slider");
    this.area.setAttribute("aria-label", "Moment of the run");
    this.area.setAttribute("aria-valuemin", this.start.toFixed(3));
    this.area.setAttribute("aria-valuemax", this.end.toFixed(3));
    this.plot = svg("svg", {"aria-hidden": "true"}, this.area);

    const side = html("div", "touch-side", this.box);
    const values = html("dl", "touch-values", side);
    this.shown = this.lines.map(line => this.row(values, line.name, line.colour, line.dash));
    const [needed, letsGo] = this.data.panels[1].marks;
    for (const [name, mark] of [["needed", needed], ["lets go below", letsGo]]) {
      if (mark) this.row(values, name, mark.colour, mark.dash).textContent = mark.text;
    }
    if (this.data.floor) this.buildFloor(html("div", "touch-floor", side));
    const gaps = this.data.gaps.length ? "Grey: no rows came. " : "";
    const rests = this.data.rests.length ? "Lines are broken where the fans were down only briefly, or spun up; " +
      "zoom in to see that too. No loss is left out. " : "";
    html("p", "touch-help", this.box, gaps + rests + (matchMedia("(hover: none)").matches
      ? "Move along the lines with a finger; the floor shows that moment. Spread two fingers to zoom."
      : "Move over the lines; the floor shows that moment. Drag to zoom. Keys: arrows, with Shift faster; + and " +
        "\u2212 zoom, 0 shows all; Page Up and Page Down go from event to event."));

    const area = this.area;
    area.addEventListener("pointerdown", e => this.down(e));
    area.addEventListener("pointermove", e => this.move(e));
    for (const name of ["pointerup", "pointercancel"]) area.addEventListener(name, e => this.up(e));
    area.addEventListener("dblclick", () => this.show(this.start, this.end));
    area.addEventListener("keydown", e => this.key(e));
    area.addEventListener("wheel", e => {
      if (!e.ctrlKey) return;
      e.preventDefault();
      this.zoom(e.deltaY < 0 ? 0.8 : 1.25, this.timeAt(e.clientX));
    }, {passive: false});
  }

  row(values, name, colour, dash) {
    const row = html("div", "", values), term = html("dt", "", row);
    const swatch = svg("svg", {width: 22, height: 10, "aria-hidden": "true"}, term);
    svg("line", {x1: 0, x2: 22, y1: 5, y2: 5, stroke: colour, "stroke-width": 2.5, "stroke-dasharray": dash}, swatch);
    html("span", "", term, name);
    return html("dd", "", row);
  }

  buildFloor(box) {
    const floor = this.data.floor;
    const ys = floor.outline.map(p => p[0]), xs = floor.outline.map(p => p[1]);
    const left = Math.min(...ys), top = Math.min(...xs);
    const scale = 190 / (Math.max(...ys) - left);
    const width = 206, height = (Math.max(...xs) - top) * scale + 16;
    const x = v => (v - left) * scale + 8, y = v => (v - top) * scale + 8;
    const map = svg("svg", {viewBox: `0 0 ${width} ${height.toFixed(1)}`, role: "img"}, box);
    svg("title", {}, map, "Floor from above, front at the top, at the moment chosen");
    const hatch = svg("pattern", {id: `${this.data.key}-hatch`, width: 7, height: 7,
      patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)"}, svg("defs", {}, map));
    svg("rect", {width: 7, height: 7, fill: "var(--paper)"}, hatch);
    svg("line", {x1: 0, x2: 0, y1: 0, y2: 7, stroke: "var(--limit)", "stroke-width": 2.5}, hatch);
    this.cells = floor.taps.map(tap => {
      const points = tap.cell.map(p => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).join(" ");
      return {shape: svg("polygon", {points, stroke: "var(--paper)", "stroke-width": 1}, map)};
    });
    svg("polygon", {points: floor.outline.map(p => `${x(p[0]).toFixed(1)},${y(p[1]).toFixed(1)}`).join(" "),
      fill: "none", stroke: "var(--ink)", "stroke-width": 1.5}, map);
    floor.taps.forEach((tap, k) => {
      const at = {x: clamp(x(tap.at[0]), 44, width - 44).toFixed(1), "text-anchor": "middle", "font-size": 12};
      const cell = this.cells[k];
      cell.texts = [svg("text", {...at, y: y(tap.at[1]).toFixed(1)}, map, tap.name),
        svg("text", {...at, y: (y(tap.at[1]) + 15).toFixed(1), "font-weight": "bold"}, map)];
    });
    html("p", "touch-note", box, `front at the top; ${floor.unit}`);
  }

  // from here on: what depends on the width

  layOut() {
    const width = Math.max(280, Math.floor(this.area.clientWidth));
    if (width === this.width) return;
    this.width = width;
    this.left = 46;
    this.right = width - 10;
    const heights = width < 560 ? [150, 84, 104, 52] : width < 700 ? [190, 104, 130, 60] : [230, 124, 160, 72];
    let y = 38;
    this.panels = this.data.panels.map((panel, k) => {
      const top = y + 18;
      y = top + heights[k];
      return {...panel, top, bottom: y, ...this.range(k, panel)};
    });
    this.height = y + 34;
    this.plot.setAttribute("viewBox", `0 0 ${width} ${this.height}`);
    this.plot.setAttribute("width", width);
    this.plot.setAttribute("height", this.height);
    this.draw();
  }

  range(k, panel) {
    let low = Math.min(0, ...panel.marks.map(m => m.y)), high = Math.max(0, ...panel.marks.map(m => m.y));
    if (k === this.data.panels.length - 1) [low, high] = [Infinity, -Infinity];
    for (const line of this.lines) {
      if (line.panel !== k) continue;
      for (const v of line.low) if (v < low) low = v;
      for (const v of line.high) if (v > high) high = v;
    }
    if (!(high > low)) [low, high] = Number.isFinite(low) ? [low - 1, low + 1] : [0, 1];
    const room = (high - low) * 0.06;
    return {low: low - room, high: high + room};
  }

  xOf(t) { return this.left + (t - this.from) / (this.to - this.from) * (this.right - this.left); }
  yOf(panel, v) { return panel.bottom - (v - panel.low) / (panel.high - panel.low) * (panel.bottom - panel.top); }
  timeAt(clientX) {
    const x = clientX - this.plot.getBoundingClientRect().left;
    return clamp(this.from + (x - this.left) / (this.right - this.left) * (this.to - this.from), this.from, this.to);
  }
  index(t) {
    let a = 0, b = this.t.length - 1;
    while (b - a > 1) {
      const m = (a + b) >> 1;
      if (this.t[m] <= t) a = m; else b = m;
    }
    return this.data.whole && t - this.t[a] > this.t[b] - t ? b : a;
  }

  draw() {
    this.plot.replaceChildren();
    const clip = svg("clipPath", {id: `${this.data.key}-clip`}, svg("defs", {}, this.plot));
    svg("rect", {x: this.left, y: 0, width: this.right - this.left, height: this.height}, clip);
    this.drawGrid();
    const inside = svg("g", {"clip-path": `url(#${this.data.key}-clip)`}, this.plot);
    this.drawEvents(inside);
    for (const panel of this.panels) {
      for (const mark of panel.marks) {
        const y = this.yOf(panel, mark.y).toFixed(1);
        svg("line", {x1: this.left, x2: this.right, y1: y, y2: y, stroke: mark.colour,
          "stroke-dasharray": mark.dash, "stroke-width": 1.3}, inside);
      }
    }
    for (const line of this.lines) {
      svg("path", {d: this.path(line, this.panels[line.panel]), fill: "none", stroke: line.colour,
        "stroke-width": 1.4, "stroke-dasharray": line.dash, "stroke-linejoin": "round"}, inside);
    }
    this.drawGaps(inside);
    const least = this.data.least;
    if (least) {
      svg("circle", {cx: this.xOf(least.at).toFixed(1), cy: this.yOf(this.panels[2], least.y).toFixed(1), r: 6,
        fill: "none", stroke: "var(--ink)", "stroke-width": 2}, inside);
    }
    this.cursor = svg("line", {y1: 34, y2: this.height - 32, stroke: "var(--ink)", "stroke-width": 1}, this.plot);
    this.dots = this.lines.map(line => svg("circle", {r: 3.5, fill: line.colour}, this.plot));
    this.select = svg("rect", {y: 34, height: this.height - 66, fill: "var(--ink)", opacity: 0.15, width: 0}, this.plot);
    this.put(this.at);
  }

  drawGrid() {
    for (const panel of this.panels) {
      const by = step(panel.high - panel.low, (panel.bottom - panel.top) / 34);
      for (const v of ticks(panel.low, panel.high, by)) {
        const y = this.yOf(panel, v);
        svg("line", {x1: this.left, x2: this.right, y1: y, y2: y, stroke: "var(--grid)"}, this.plot);
        svg("text", {x: this.left - 6, y: y + 4, "text-anchor": "end"}, this.plot, signed(v, placesOf(by)));
      }
      svg("text", {x: this.left, y: panel.top - 5, class: "touch-title"}, this.plot, panel.title);
    }
    const by = step(this.to - this.from, (this.right - this.left) / 74, this.long);
    const places = placesOf(by), foot = this.panels[this.panels.length - 1].bottom;
    for (const t of ticks(this.from, this.to, by)) {
      const x = this.xOf(t);
      for (const panel of this.panels) {
        svg("line", {x1: x, x2: x, y1: panel.top, y2: panel.bottom, stroke: "var(--grid)"}, this.plot);
      }
      // kept inside the picture
      const text = this.long ? clock(t, true, places) : signed(t, places);
      const half = text.length * 3.4;
      svg("text", {x: clamp(x, half, this.width - half), y: foot + 16, "text-anchor": "middle"}, this.plot, text);
    }
    svg("text", {x: this.right, y: foot + 31, "text-anchor": "end"}, this.plot,
      this.long ? "board time / min:s" : "board time / s");
  }

  // over the lines, and a short one as wide as can be seen: on a long run it is less than a dot
  drawGaps(inside) {
    let free = -Infinity;
    for (const gap of this.data.gaps) {
      const a = Math.max(this.xOf(gap.at), free), b = Math.max(this.xOf(gap.until), a + 3);
      if (b < this.left - 1 || a > this.right + 1) continue;
      free = b;
      for (const panel of this.panels) {
        const box = {x: a, y: panel.top, width: b - a, height: panel.bottom - panel.top};
        svg("rect", {...box, fill: "var(--paper)"}, inside);
        svg("rect", {...box, fill: gap.colour, opacity: 0.5}, inside);
      }
    }
  }

  drawEvents(inside) {
    const seen = this.data.events.filter(e => e.until >= this.from && e.at <= this.to);
    // of many events the cuts of the throttle have no line and no name
    const marked = seen.length > 40 ? seen.filter(e => e.kind !== "throttle-cut") : seen;
    for (const event of seen) {
      const a = this.xOf(event.at), b = this.xOf(event.until);
      for (const panel of this.panels) {
        const height = panel.bottom - panel.top;
        svg("rect", {x: a, y: panel.top, width: Math.max(b - a, 0.5), height, fill: event.colour,
          opacity: 0.18}, inside);
        if (marked.includes(event)) {
          svg("rect", {x: a - 0.5, y: panel.top, width: 1, height, fill: event.colour}, inside);
        }
      }
    }
    for (const at of this.data.marks) {
      const x = this.xOf(at), foot = this.panels[this.panels.length - 1].bottom;
      svg("line", {x1: x, x2: x, y1: this.panels[0].top, y2: foot, stroke: "var(--ink)",
        "stroke-width": 1.3, "stroke-dasharray": "1.5 4"}, inside);
    }
    // losses first, marks last: the name where there is room, else the number, else neither
    const taken = [[], []];
    const named = marked.slice().sort((a, b) => a.rank - b.rank).map(
      event => ({at: event.at, names: [`${event.number} ${event.kind}`, `${event.number}`]}));
    for (const {at, names} of named.concat(this.data.marks.map((at, k) => ({at, names: [`mark ${k + 1}`]})))) {
      const a = this.xOf(at);
      if (a < this.left - 1 || a > this.right + 1) continue;
      for (const name of names) {
        const size = name.length * 6.9 + 10, x = a + size > this.width ? a - size : a;
        const row = taken.findIndex(spans => spans.every(s => x >= s[1] || x + size <= s[0]));
        if (row < 0) continue;
        taken[row].push([x, x + size]);
        svg("text", {x: x + 4, y: 14 + 16 * row}, this.plot, name);
        break;
      }
    }
  }

  path(line, panel) {
    const a = Math.max(0, this.index(this.from) - 1), b = Math.min(this.t.length - 1, this.index(this.to) + 2);
    const columns = Math.max(1, Math.ceil((b - a) / (1.5 * (this.right - this.left))));
    let d = "", pen = "M", gap = 0, y = 0;
    const at = (px, py) => `${px.toFixed(1)} ${py.toFixed(1)}`;
    const gaps = this.data.gaps;
    // laps: each would be a line from the top to the bottom; the throttle shows them all
    const brief = line.panel === this.panels.length - 1 ? 0 : (this.to - this.from) * BRIEF;
    for (let i = a; i <= b; i += columns) {
      let low = Infinity, high = -Infinity;
      for (let k = i; k < Math.min(i + columns, b + 1); k++) {
        if (this.rest[k] && this.rest[k] < brief) continue;
        if (line.low[k] < low) low = line.low[k];
        if (line.high[k] > high) high = line.high[k];
      }
      while (gap < gaps.length && gaps[gap].until <= this.t[i]) {
        if (i > a && gaps[gap].until > this.t[i - columns]) pen = "M";
        gap++;
      }
      if (low > high) { pen = "M"; continue; }
      const from = this.xOf(this.t[i]), until = i + columns <= b ? this.xOf(this.t[i + columns]) : from;
      const ends = [low, high].map(v => this.yOf(panel, v));
      if (this.data.whole || until - from <= WIDE) {
        d += `${pen}${at(from, ends[0])}`;
        if (high > low) d += `L${at(from, ends[1])}`;
      } else if (ends[0] - ends[1] > STEEP) {
        // it went from the end that is nearer to where it came from to the other
        const near = pen === "M" || Math.abs(ends[0] - y) > Math.abs(ends[1] - y) ? 1 : 0;
        d += `${pen}${at(from, ends[near])}L${at(until, ends[1 - near])}`;
        y = ends[1 - near];
      } else {
        // a stroke from its least to its greatest on a level line: noise has no slopes
        y = (ends[0] + ends[1]) / 2;
        const middle = (from + until) / 2;
        d += `${pen}${at(from, y)}L${at(until, y)}M${at(middle, ends[0])}L${at(middle, ends[1])}M${at(until, y)}`;
      }
      pen = "L";
    }
    return d;
  }

  // a moment, and what is shown of it

  put(t) {
    this.at = clamp(t, this.start, this.end);
    const i = this.index(this.at);
    // of a long run a piece is shown, and the moment in it that was asked for
    const moment = this.data.whole ? this.t[i] : this.at, x = this.xOf(moment);
    const seen = x >= this.left - 0.5 && x <= this.right + 0.5;
    this.cursor.setAttribute("x1", x);
    this.cursor.setAttribute("x2", x);
    this.cursor.setAttribute("visibility", seen ? "visible" : "hidden");
    const said = [];
    this.lines.forEach((line, k) => {
      const low = line.low[i], high = line.high[i], known = low <= high;
      const shown = v => (line.panel === 2 && v >= 0.5 / 10 ** line.places ? "+" : "") + signed(v, line.places);
      let text = known ? shown(low) : "no reading";
      if (known && shown(high) !== text) text += " to " + shown(high);
      this.shown[k].textContent = known ? `${text} ${line.unit}` : text;
      this.dots[k].setAttribute("visibility", known && seen ? "visible" : "hidden");
      this.dots[k].setAttribute("cx", x);
      this.dots[k].setAttribute("cy", known ? this.yOf(this.panels[line.panel], (low + high) / 2) : 0);
      if (line.panel === 2) said.push(`${line.name} ${this.shown[k].textContent}`);
    });
    const when = clock(moment, this.long, this.data.whole ? 3 : 2);
    this.clock.textContent = when;
    this.area.setAttribute("aria-valuenow", moment.toFixed(3));
    this.area.setAttribute("aria-valuetext", `${when}: ${said.join(", ")}`);
    if (this.cells) this.paint(i);
  }

  paint(i) {
    const floor = this.data.floor, t = this.t[i];
    floor.taps.forEach((tap, k) => {
      const line = this.lines[tap.line], value = (line.low[i] + line.high[i]) / 2;
      const faulty = floor.faulty.some(f => f.tap === k && f.at <= t && t <= f.until);
      const known = !faulty && !Number.isNaN(value), cell = this.cells[k];
      const share = clamp(value / floor.top, 0, 1);
      const colour = known ? floor.ramp[Math.min(floor.ramp.length - 1, Math.floor(share * floor.ramp.length))] : "";
      cell.shape.setAttribute("fill", known ? colour : `url(#${this.data.key}-hatch)`);
      const sum = [1, 3, 5].reduce((total, at) => total + parseInt(colour.slice(at, at + 2), 16), 0);
      const ink = known ? (sum > 345 ? "#000000" : "#ffffff") : "var(--ink)";
      cell.texts[1].textContent = known ? signed(value, line.places) : faulty ? "faulty" : "no reading";
      for (const text of cell.texts) {
        text.setAttribute("fill", ink);
        text.setAttribute("class", known ? "" : "touch-over");
      }
    });
  }

  show(from, to) {
    const span = clamp(to - from, this.shortest, this.end - this.start);
    this.from = clamp((from + to - span) / 2, this.start, this.end - span);
    this.to = this.from + span;
    this.draw();
  }

  zoom(by, about = this.at) {
    const held = clamp(about, this.from, this.to);
    this.show(held - (held - this.from) * by, held + (this.to - held) * by);
  }

  go(t) {
    const at = clamp(t, this.start, this.end);
    if (at < this.from || at > this.to) {
      this.at = at;
      this.show(at - (this.to - this.from) / 2, at + (this.to - this.from) / 2);
    } else this.put(at);
  }

  enlarge(t) {
    this.at = t;
    const span = Math.min(this.to - this.from, Math.max(1.2, this.shortest));
    this.show(t - span / 2, t + span / 2);
  }

  jump(way) {
    const found = this.data.events.filter(e => way > 0 ? e.at > this.at + 1e-3 : e.at < this.at - 1e-3);
    if (found.length) this.go((way > 0 ? found[0] : found[found.length - 1]).at);
  }

  key(e) {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const pixel = (this.to - this.from) / (this.right - this.left) * (e.shiftKey ? 20 : 1);
    const i = this.index(this.at), last = this.t.length - 1;
    const acts = {
      ArrowLeft: () => this.go(Math.min(this.at - pixel, this.t[Math.max(0, i - 1)])),
      ArrowRight: () => this.go(Math.max(this.at + pixel, this.t[Math.min(last, i + 1)])),
      Home: () => this.put(this.from),
      End: () => this.put(this.to),
      PageUp: () => this.jump(-1),
      PageDown: () => this.jump(1),
      "+": () => this.zoom(0.5),
      "=": () => this.zoom(0.5),
      "-": () => this.zoom(2),
      "0": () => this.show(this.start, this.end),
    };
    acts.ArrowDown = acts.ArrowLeft;
    acts.ArrowUp = acts.ArrowRight;
    if (!acts[e.key]) return;
    e.preventDefault();
    acts[e.key]();
  }

  // fingers and pointer

  down(e) {
    this.pointers.set(e.pointerId, e.clientX);
    if (e.pointerType === "mouse") this.drag = e.clientX;
    if (this.pointers.size === 2) this.spread();
    this.area.setPointerCapture(e.pointerId);
    this.put(this.timeAt(e.clientX));
  }

  move(e) {
    if (this.pointers.has(e.pointerId)) this.pointers.set(e.pointerId, e.clientX);
    if (this.pointers.size === 2) return this.pinch();
    if (e.pointerType !== "mouse" && !this.pointers.size) return;
    if (this.drag !== undefined) {
      const box = this.plot.getBoundingClientRect().left;
      this.select.setAttribute("x", Math.min(this.drag, e.clientX) - box);
      this.select.setAttribute("width", Math.abs(e.clientX - this.drag));
    }
    this.put(this.timeAt(e.clientX));
  }

  up(e) {
    this.pointers.delete(e.pointerId);
    if (this.drag === undefined) return;
    const [a, b] = [this.timeAt(Math.min(this.drag, e.clientX)), this.timeAt(Math.max(this.drag, e.clientX))];
    const wide = Math.abs(e.clientX - this.drag) > 8;
    this.drag = undefined;
    this.select.setAttribute("width", 0);
    if (wide && e.type === "pointerup") this.show(a, b);
  }

  spread() {
    const [a, b] = [...this.pointers.values()];
    this.held = {a: this.timeAt(a), b: this.timeAt(b)};
  }

  // the two moments that were touched stay under the two fingers
  pinch() {
    const box = this.plot.getBoundingClientRect().left;
    const [a, b] = [...this.pointers.values()].map(x => (x - box - this.left) / (this.right - this.left));
    if (Math.abs(b - a) < 0.02 || Math.abs(this.held.b - this.held.a) < 1e-9) return;
    const span = clamp((this.held.b - this.held.a) / (b - a), this.shortest, this.end - this.start);
    const from = this.held.a - a * span;
    this.show(from, from + span);
  }
}

// on a phone the parts are folded until one is asked for; what is printed in full is open
const parts = [...document.querySelectorAll("details.part")];
if (matchMedia("(max-width: 640px)").matches) for (const part of parts) part.open = false;
const unfold = () => {
  const found = location.hash && document.getElementById(location.hash.slice(1));
  if (found && found.tagName === "DETAILS") found.open = true;
};
for (const link of document.querySelectorAll(".parts a")) {
  link.addEventListener("click", () => { document.querySelector(link.hash).open = true; });
}
unfold();

for (const box of document.querySelectorAll(".touch")) {
  const data = JSON.parse(document.getElementById(box.dataset.numbers).textContent);
  const still = box.parentElement.querySelector(".still");
  box.hidden = false;
  try {
    new Timeline(box, data);
    still.classList.add("replaced");
  } catch (error) {
    box.hidden = true;  // the still picture is there
    throw error;
  }
}
})();
