// One panel on a canvas, drawn by uPlot.

import { alone, look } from "./chart-data.js";
import { colours, hatch, laneRoom, laned, paintAlone, paintHatches, paintLanes, paintLimits, paintNights, paintServices } from "./chart-paint.js";
import { tickWords } from "./chart-words.js";

const NEAR = 30; // a limit is drawn when the fluid came so near to it
const BAND_ROOM = 15; // the healthy band may widen the scale by so much, no more
const PRIORITIES = ["critical", "high", "medium", "low"];
const FONT = "13px system-ui, sans-serif";

export class Plot {
  constructor(chart, panel) {
    this.chart = chart;
    this.panel = panel;
    this.marks = [];
    this.limits = [];
    this.found = { nights: [], services: [] };
    this.colour = colours(chart.figure);
    this.bands = this.readBands();
    this.name = Object.assign(document.createElement("p"), { className: "chart-name", textContent: panel.title });
    this.box = document.createElement("div");
    chart.body.append(this.name, this.box);
    this.find();
    this.u = new uPlot(this.options(), panel.data, this.box);
  }

  find() {
    this.lone = Object.fromEntries(this.panel.series.map((each) => [each.name, alone(this.panel.data[each.mean])]));
  }

  readBands() {
    const probe = document.createElement("span");
    probe.hidden = true;
    this.chart.figure.append(probe);
    const bands = {};
    for (const name of PRIORITIES) {
      probe.className = name;
      const style = getComputedStyle(probe);
      bands[name] = { ground: style.backgroundColor, ink: style.color };
    }
    probe.remove();
    return bands;
  }

  height() {
    const full = parseInt(this.colour("--chart-height"), 10) || 320;
    return this.panel.main ? full : Math.round(full * 0.42);
  }

  options() {
    const axis = { stroke: () => this.colour("--soft"), grid: { stroke: () => this.colour("--chart-grid"), width: 1 }, ticks: { stroke: () => this.colour("--line"), width: 1 }, font: FONT };
    return {
      width: Math.max(this.chart.body.clientWidth || this.chart.figure.clientWidth - 30, 200),
      height: this.height(),
      ms: 1,
      tzDate: (at) => uPlot.tzDate(new Date(at), this.chart.zone),
      padding: [() => (this.panel.main ? laneRoom(this.marks) : 8), 22, 0, 0],
      legend: { show: false },
      cursor: { y: false, points: { show: false }, drag: { x: false, y: false, setScale: false }, bind: { mousedown: none, mousemove: none, mouseup: none, mouseleave: none, mouseenter: none, click: none, dblclick: none } },
      select: { show: true, left: 0, top: 0, width: 0, height: 0 },
      scales: { x: { time: true, range: () => this.chart.view }, y: { auto: true, range: () => this.yRange() } },
      axes: [
        { ...axis, space: 70, size: 52, values: (u, ticks, _axis, _space, step) => tickWords(this.chart.clock, ticks, step) },
        { ...axis, size: 54, space: 32, values: (u, ticks) => ticks.map((each) => each.toLocaleString("en-US")) },
      ],
      series: [{}, ...this.series()],
      bands: this.areas(),
      hooks: {
        drawClear: [(u) => this.under(u)],
        draw: [(u) => this.over(u)],
      },
    };
  }

  series() {
    const out = [];
    const paths = this.panel.stepped ? uPlot.paths.stepped({ align: 1 }) : undefined;
    for (const each of this.panel.series) {
      const { colour, dash, width } = look(each.name);
      const show = !this.chart.hidden.has(each.name);
      const edge = { show, stroke: () => this.colour(colour), width: each.band ? 0.75 : 0, points: { show: false } };
      if (each.reduced) out.push({ ...edge }, { ...edge });
      out.push({ show, stroke: () => this.colour(colour), width, dash: dash.length ? dash : undefined, paths, points: { show: true, size: 5, width: 0, fill: () => this.colour(colour), filter: () => this.lone[each.name] ?? [] } });
    }
    return out;
  }

  areas() {
    return this.panel.series.filter((each) => each.reduced).map((each) => ({ series: [each.high, each.low], fill: () => this.fill(each) }));
  }

  fill(each) {
    const colour = this.colour(look(each.name).colour);
    if (each.band) return hatch(this.u?.ctx ?? document.createElement("canvas").getContext("2d"), faded(colour, 0.55), uPlot.pxRatio, -1);
    return faded(colour, 0.22);
  }

  yRange() {
    if (this.panel.fixed) return this.panel.fixed;
    const [min, max] = this.chart.view;
    const times = this.panel.data[0];
    let [low, high] = [Infinity, -Infinity];
    const widen = (columns, limit) => {
      let [least, most] = [Infinity, -Infinity];
      for (const column of columns) {
        for (let i = 0; i < times.length; i++) {
          const value = column[i];
          if (times[i] < min || times[i] > max || value === null || value === undefined) continue;
          if (value < least) least = value;
          if (value > most) most = value;
        }
      }
      if (least > most) return;
      low = Math.min(low, limit === null ? least : Math.max(least, low - limit));
      high = Math.max(high, limit === null ? most : Math.min(most, high + limit));
    };
    const seen = this.panel.series.filter((each) => !this.chart.hidden.has(each.name));
    const columns = (each) => (each.reduced ? [each.low, each.high] : [each.mean]).map((place) => this.panel.data[place]);
    widen(seen.filter((each) => !each.band).flatMap(columns), null);
    if (low > high) return [0, 100];
    const scale = this.panel.unit === "°F" ? 1.8 : 1;
    seen.filter((each) => each.band).forEach((each) => widen(columns(each), BAND_ROOM * scale));
    const room = Math.max((high - low) * 0.06, 1);
    let top = high + room;
    const words = (high - low) * 0.09; // so much is taken by the words above a limit
    for (const limit of this.limits) if (high >= limit.at - NEAR * scale) top = Math.max(top, limit.at + words);
    return [low - room, top];
  }

  under(u) {
    paintNights(u, this.found.nights, this.colour);
    paintHatches(u, this.marks, this.colour);
  }

  over(u) {
    for (const each of this.panel.series) {
      if (each.reduced && !each.band && !this.chart.hidden.has(each.name)) paintAlone(u, this.panel.data, each, this.lone[each.name], this.colour(look(each.name).colour));
    }
    if (!this.panel.main) return;
    const font = `${Math.round(12 * uPlot.pxRatio)}px system-ui, sans-serif`;
    paintLimits(u, this.limits, this.colour, font);
    paintServices(u, this.found.services, this.colour, font);
    paintLanes(u, this.marks, this.bands, font);
  }

  take(panel, found, limits, view) {
    this.panel = panel;
    this.find();
    this.found = found;
    this.marks = laned(found.alarms);
    this.limits = panel.main ? limits : [];
    this.u.setData(panel.data, false);
    this.range(view);
    this.u.redraw(true, true);
  }

  range([min, max]) {
    this.u.setScale("x", { min, max });
    this.line(this.chart.at);
  }

  line(at) {
    if (at === null) this.u.setCursor({ left: -10, top: -10 }, false);
    else this.u.setCursor({ left: this.u.valToPos(at, "x"), top: 4 }, false);
  }

  // A line was put out or in: the library cannot do so to a panel whose points it does not mark.
  again() {
    this.u.destroy();
    this.u = new uPlot(this.options(), this.panel.data, this.box);
    this.range(this.chart.view);
  }

  select(from, to) {
    const { left } = this.u.over.getBoundingClientRect();
    const [one, other] = [from, to].map((x) => Math.min(Math.max(x - left, 0), this.u.over.clientWidth)).sort((a, b) => a - b);
    this.u.setSelect({ left: one, width: from === to ? 0 : other - one, top: 0, height: from === to ? 0 : this.u.over.clientHeight }, false);
  }

  get widthPx() {
    return this.u.over.clientWidth;
  }

  timeAt(clientX) {
    const box = this.u.over.getBoundingClientRect();
    return this.u.posToVal(Math.min(Math.max(clientX - box.left, 0), box.width), "x");
  }

  fit(width = null) {
    const wanted = width ?? Math.floor(this.chart.body.clientWidth);
    const height = this.height();
    if (wanted > 100 && (wanted !== this.u.width || height !== this.u.height)) this.u.setSize({ width: wanted, height });
  }

  recolour() {
    this.bands = this.readBands();
    this.u.redraw(false, true);
  }

  // A piece of the line as it is drawn, with its dashes: told apart without colour.
  swatch(series) {
    const { colour, dash, width } = look(series.name);
    const space = "http://www.w3.org/2000/svg";
    const svg = document.createElementNS(space, "svg");
    svg.setAttribute("viewBox", "0 0 34 14");
    svg.setAttribute("aria-hidden", "true");
    const add = (name, of) => {
      const element = document.createElementNS(space, name);
      for (const [key, value] of Object.entries(of)) element.setAttribute(key, value);
      svg.append(element);
    };
    if (series.band) add("rect", { x: 0, y: 1, width: 34, height: 12, fill: `var(${colour})`, opacity: 0.25 });
    add("line", { x1: 0, y1: 7, x2: 34, y2: 7, stroke: `var(${colour})`, "stroke-width": width + 0.5, "stroke-dasharray": dash.join(" ") });
    return svg;
  }

  drop() {
    this.u.destroy();
    this.name.remove();
    this.box.remove();
  }
}

const none = () => null;

function faded(colour, alpha) {
  const pen = document.createElement("canvas").getContext("2d");
  pen.fillStyle = colour;
  const solid = pen.fillStyle; // #rrggbb
  const [red, green, blue] = [1, 3, 5].map((at) => parseInt(solid.slice(at, at + 2), 16));
  return `rgba(${red}, ${green}, ${blue}, ${alpha})`;
}
