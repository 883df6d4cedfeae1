// Charts that live: zoom, pan and reading by pointer, touch and keys. Without this file a page shows a still picture and a table.

import { missing, nearest, panelsOf, shown } from "./chart-data.js";
import { Hand } from "./chart-hand.js";
import { Plot } from "./chart-plot.js";
import { clockOf, lengthWords, spanWords, valueWords, whenWords } from "./chart-words.js";

const LEAST_MS = 2 * 60000;
const AT_ONCE_MS = 26 * 3600000; // up to this span the healthy band is computed in no time
const BAND_UP_TO_MS = 14 * 86400000;
const FOLLOW_MS = 20000;

const made = (name, props = {}, ...inside) => {
  const element = Object.assign(document.createElement(name), props);
  element.append(...inside);
  return element;
};

class Chart {
  constructor(figure) {
    this.figure = figure;
    const { src, first, last, title, zone, temperature, distance } = figure.dataset;
    this.src = src;
    this.title = title;
    this.choice = { temperature, distance, panels: "panels" in figure.dataset };
    this.follows = "follow" in figure.dataset;
    this.home = [Number(first), Number(last)];
    this.view = [...this.home];
    this.clock = clockOf(zone);
    this.zone = zone;
    this.hidden = new Set();
    this.plots = [];
    this.asked = 0;
    this.at = null;
    this.build();
  }

  build() {
    const button = (label, sign, act, key) => made("button", { type: "button", className: "quiet", title: key ? `${label} (${key})` : label, ariaLabel: label, textContent: sign, onclick: act });
    this.buttons = {
      closer: button("Zoom in", "+", () => this.zoom(0.5), "+"),
      wider: button("Zoom out", "−", () => this.zoom(2), "−"),
      back: button("Earlier", "‹", () => this.pan(-0.5), "Shift + ←"),
      on: button("Later", "›", () => this.pan(0.5), "Shift + →"),
      whole: button("Whole span", "Whole", () => this.reset(), "Home"),
    };
    this.now = made("p", { className: "chart-now" });
    this.key = made("ul", { className: "chart-key" });
    this.said = made("p", { className: "chart-said" });
    this.spoken = made("p", { className: "unseen", role: "status" });
    this.trouble = made("p", { className: "chart-trouble", role: "alert", hidden: true });
    this.body = made("div", { className: "chart-plot", tabIndex: 0 });
    this.body.setAttribute("role", "slider");
    this.body.setAttribute("aria-label", `${this.title}: reading line. Arrow keys move it, plus and minus zoom, Shift with an arrow moves the span, Home shows the whole span.`);
    this.stage = this.figure.querySelector(".chart-stage");
    const bar = made("div", { className: "chart-bar screen-only", role: "group", ariaLabel: `Span of ${this.title}` }, ...Object.values(this.buttons));
    this.stage.append(bar, this.now, this.body, this.key, this.said, this.spoken, this.trouble);
    this.hand = new Hand(this.body, this);
  }

  async load(band = this.span <= AT_ONCE_MS || this.span > BAND_UP_TO_MS) {
    const turn = ++this.asked;
    const [first, last] = this.view.map(Math.round);
    const width = Math.round(this.stage.clientWidth || this.figure.clientWidth);
    this.figure.classList.add("chart-busy");
    const edges = `since=${new Date(first).toISOString()}&until=${new Date(last).toISOString()}`;
    const address = `${this.src}&${edges}&width_px=${Math.min(Math.max(width, 60), 4000)}&healthy=${band}`;
    try {
      const answer = await fetch(address, { headers: { Accept: "application/json" }, credentials: "same-origin" });
      if (!answer.ok) throw new Error(answer.status === 401 || answer.redirected ? "You are no longer signed in: load the page again." : `The numbers could not be read (${answer.status}). Try again.`);
      const found = await answer.json();
      if (turn !== this.asked) return;
      this.draw(found);
      if (!band && this.span <= BAND_UP_TO_MS) await this.load(true);
    } catch (error) {
      if (turn !== this.asked) return;
      this.tell(error instanceof TypeError ? "There is no connection: the chart shows what it had." : error.message);
    } finally {
      if (turn === this.asked) this.figure.classList.remove("chart-busy");
    }
  }

  get span() {
    return this.view[1] - this.view[0];
  }

  tell(trouble) {
    this.trouble.hidden = false;
    this.trouble.textContent = trouble;
  }

  draw(found) {
    if (!found.healthy && this.found?.healthy && !found.healthy_why) found.healthy = this.found.healthy; // until the new one is there
    this.found = found;
    this.trouble.hidden = true;
    this.stage.hidden = false;
    this.figure.querySelector(".chart-still").hidden = true;
    const panels = panelsOf(found, this.choice);
    const kinds = panels.map((panel) => `${panel.key}:${panel.series.map((each) => each.name + each.reduced)}`).join("|");
    if (kinds !== this.kinds) this.rebuild(panels, kinds);
    this.panels = panels;
    const { of, sign } = shown("°C", this.choice);
    const limits = found.limits.map((each) => ({ at: of(each.celsius), words: `${each.name} ${Math.round(of(each.celsius))} ${sign}` }));
    panels.forEach((panel, i) => this.plots[i].take(panel, found, limits, this.view));
    this.say();
    this.read(this.at);
    this.figure.dataset.drawn = `${found.first_ms}-${found.last_ms}`;
    this.figure.dataset.newest = String(found.newest_ms);
    this.figure.dataset.band = found.healthy ? "yes" : "no";
  }

  rebuild(panels, kinds) {
    this.plots.forEach((plot) => plot.drop());
    this.body.replaceChildren();
    this.plots = panels.map((panel) => new Plot(this, panel));
    this.kinds = kinds;
    this.values = new Map();
    const listed = panels.flatMap((panel, i) => [...panel.series].reverse().map((series) => this.entry(series, i)));
    this.key.replaceChildren(...listed);
  }

  entry(series, i) {
    const value = made("span", { className: "number" });
    const button = made("button", { type: "button", title: "Show or hide this line" }, this.plots[i].swatch(series), made("span", { textContent: series.label }), value);
    button.setAttribute("aria-pressed", String(!this.hidden.has(series.name)));
    button.onclick = () => {
      if (!this.hidden.delete(series.name)) this.hidden.add(series.name);
      button.setAttribute("aria-pressed", String(!this.hidden.has(series.name)));
      this.plots[i].again();
    };
    this.values.set(series.name, value);
    const item = made("li", {}, button);
    item.dataset.name = series.name;
    return item;
  }

  say() {
    const { found } = this;
    const parts = [spanWords(this.clock, ...this.view) + "."];
    parts.push(found.bucket_ms ? `Each point: lowest, mean and highest of ${lengthWords(found.bucket_ms)}.` : "Every sample.");
    if (found.nights.length) parts.push(`Shaded: night by the clock, ${found.night_words}.`);
    if (found.healthy_why) parts.push(found.healthy_why);
    const absent = missing(found);
    if (absent.length && found.time_ms.length) parts.push(`Not measured here: ${absent.join(", ")}.`);
    if (!found.time_ms.length) parts.unshift("Nothing was heard in this span.");
    this.said.textContent = parts.join(" ");
    const [oldest, newest] = this.edges();
    this.buttons.whole.disabled = this.view[0] === this.home[0] && this.view[1] === this.home[1];
    this.buttons.closer.disabled = this.span <= LEAST_MS;
    this.buttons.back.disabled = this.view[0] <= oldest;
    this.buttons.on.disabled = this.view[1] >= newest;
  }

  edges() {
    const { oldest_ms, newest_ms } = this.found || {};
    return [Math.min(oldest_ms ?? this.home[0], this.home[0]), Math.max(newest_ms ?? this.home[1], this.home[1])];
  }

  // Put the reading line at a time; null: at the newest point, without a line.
  read(at) {
    const { found } = this;
    if (!found) return;
    this.at = at;
    const times = found.time_ms;
    const wanted = at ?? times[times.length - 1] ?? this.view[1];
    const gap = Math.max(found.gap_ms, this.span / 200);
    const texts = [];
    this.panels.forEach((panel, i) => {
      this.plots[i].line(at);
      [...panel.series].reverse().forEach((series) => {
        const place = nearest(panel.data[0], panel.data[series.mean], wanted, panel.key === "circuit" ? this.span : gap);
        const words = place < 0 ? "–" : valueWords(panel, series, place);
        this.values.get(series.name).textContent = words;
        if (!this.hidden.has(series.name)) texts.push(`${series.label} ${place < 0 ? "not known" : words}`);
      });
    });
    const when = whenWords(this.clock, wanted, found.bucket_ms);
    const standing = found.alarms.filter((alarm) => alarm.first_ms <= wanted && wanted <= alarm.last_ms).map((alarm) => alarm.label);
    const alarms = standing.length ? ` · ${standing.join(", ")}` : "";
    this.now.textContent = (at === null ? `Last in this span: ${when}` : when) + alarms;
    this.body.setAttribute("aria-valuemin", String(Math.round(this.view[0])));
    this.body.setAttribute("aria-valuemax", String(Math.round(this.view[1])));
    this.body.setAttribute("aria-valuenow", String(Math.round(Math.min(Math.max(wanted, this.view[0]), this.view[1]))));
    this.body.setAttribute("aria-valuetext", `${when}. ${texts.join(", ")}${standing.length ? `. Alarm: ${standing.join(", ")}` : ""}`);
  }

  // Snap to a point that is there.
  readNear(at) {
    const times = this.found.time_ms;
    const place = nearest(times, times, at, Infinity);
    this.read(place < 0 ? at : times[place]);
  }

  step(by) {
    const times = this.found.time_ms;
    if (!times.length) return;
    const from = this.at === null ? times.length - 1 : nearest(times, times, this.at, Infinity);
    const to = this.at === null ? from : Math.min(Math.max(from + by, 0), times.length - 1);
    this.read(times[to]);
  }

  show(first, last, aloud = true) {
    let span = Math.max(last - first, LEAST_MS);
    const [oldest, newest] = this.edges();
    span = Math.min(span, Math.max(newest - oldest, this.home[1] - this.home[0]));
    const from = Math.max(Math.min(first, newest - span), Math.min(oldest, newest - span));
    this.view = [Math.round(from), Math.round(from + span)];
    this.plots.forEach((plot) => plot.range(this.view));
    if (this.at !== null && (this.at < this.view[0] || this.at > this.view[1])) this.at = null;
    this.say();
    if (aloud) this.spoken.textContent = `Showing ${spanWords(this.clock, ...this.view)}`;
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.load(), 120);
    this.figure.dispatchEvent(new CustomEvent("chart:span", { bubbles: true, detail: { first: this.view[0], last: this.view[1] } }));
  }

  zoom(factor, about = this.at ?? (this.view[0] + this.view[1]) / 2) {
    const [first, last] = this.view;
    this.show(about - (about - first) * factor, about + (last - about) * factor);
  }

  pan(share) {
    const by = this.span * share;
    this.show(this.view[0] + by, this.view[1] + by);
  }

  reset() {
    this.show(...this.home);
  }

  // What is live goes along with the clock as long as its end is in sight.
  follow() {
    if (!this.follows || document.hidden || !this.found) return;
    const [first, last] = this.home;
    const atEnd = this.view[0] === first && this.view[1] === last;
    const now = Math.max(Date.now() + this.ahead, last);
    this.home = [first + now - last, now];
    if (atEnd) {
      this.view = [...this.home];
      this.load();
    }
  }

  start() {
    this.ahead = this.home[1] - Date.now(); // the fleet's clock and the browser's need not agree
    new ResizeObserver(() => this.plots.forEach((plot) => plot.fit())).observe(this.figure);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.plots.forEach((plot) => plot.recolour()));
    addEventListener("beforeprint", () => this.paper(true));
    addEventListener("afterprint", () => this.paper(false));
    document.addEventListener("heatbook:change", (event) => event.detail?.trucks?.includes(this.figure.dataset.truck) && this.follow());
    if (this.follows) setInterval(() => this.follow(), FOLLOW_MS);
    this.load();
  }

  paper(on) {
    this.figure.classList.toggle("paper", on);
    this.plots.forEach((plot) => plot.fit(on ? 660 : null));
    this.plots.forEach((plot) => plot.recolour());
  }
}

for (const figure of document.querySelectorAll("[data-chart]")) {
  figure.chart = new Chart(figure);
  figure.chart.start();
}

// A link that shows a span moves the chart that is there instead of loading the page again.
document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-show]");
  const chart = link && document.querySelector("[data-chart]")?.chart;
  if (!chart?.found || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  chart.show(...link.dataset.show.split(",").map(Number));
  chart.figure.scrollIntoView({ block: "start", behavior: matchMedia("(prefers-reduced-motion: reduce)").matches ? "auto" : "smooth" });
  chart.body.focus({ preventScroll: true });
});
