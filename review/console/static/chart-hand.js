// Pointer, touch and keys on a chart. A finger that moves sideways reads, two fingers zoom; up and down still scrolls the page.

const DRAG_PX = 6;

export class Hand {
  constructor(body, chart) {
    this.chart = chart;
    this.down = new Map();
    this.drag = null;
    this.pinch = null;
    body.addEventListener("pointerdown", (event) => this.press(event));
    body.addEventListener("pointermove", (event) => this.move(event));
    body.addEventListener("pointerup", (event) => this.lift(event));
    body.addEventListener("pointercancel", (event) => this.lift(event, true));
    body.addEventListener("pointerleave", (event) => this.leave(event));
    body.addEventListener("dblclick", (event) => chart.zoom(0.5, this.time(event)));
    body.addEventListener("keydown", (event) => this.key(event));
  }

  plot() {
    return this.chart.plots[0];
  }

  time(event) {
    return this.plot()?.timeAt(event.clientX) ?? 0;
  }

  press(event) {
    if (!this.chart.found || (event.pointerType === "mouse" && event.button !== 0)) return;
    this.down.set(event.pointerId, event.clientX);
    event.currentTarget.setPointerCapture?.(event.pointerId);
    if (event.pointerType === "mouse") {
      this.drag = { from: event.clientX, at: this.time(event), view: [...this.chart.view], pans: event.shiftKey };
    } else if (this.down.size === 2) {
      const [one, other] = [...this.down.values()];
      this.pinch = { apart: Math.max(Math.abs(one - other), 20), view: [...this.chart.view], at: this.plot().timeAt((one + other) / 2) };
    } else {
      this.chart.readNear(this.time(event));
    }
  }

  move(event) {
    if (!this.chart.found) return;
    if (this.down.has(event.pointerId)) this.down.set(event.pointerId, event.clientX);
    if (this.pinch && this.down.size === 2) this.spread();
    else if (this.drag?.pans) this.push(event);
    else if (this.drag && Math.abs(event.clientX - this.drag.from) > DRAG_PX) this.chart.plots.forEach((plot) => plot.select(this.drag.from, event.clientX));
    else if (event.pointerType === "mouse" || this.down.size === 1) this.chart.readNear(this.time(event));
  }

  spread() {
    const [one, other] = [...this.down.values()];
    const factor = this.pinch.apart / Math.max(Math.abs(one - other), 20);
    const { at, view } = this.pinch;
    this.chart.show(at - (at - view[0]) * factor, at + (view[1] - at) * factor, false);
  }

  push(event) {
    const by = ((this.drag.from - event.clientX) / this.plot().widthPx) * (this.drag.view[1] - this.drag.view[0]);
    this.chart.show(this.drag.view[0] + by, this.drag.view[1] + by, false);
  }

  lift(event, cancelled = false) {
    this.down.delete(event.pointerId);
    if (this.down.size < 2) this.pinch = null;
    const { drag } = this;
    this.drag = null;
    this.chart.plots.forEach((plot) => plot.select(0, 0));
    if (!drag || drag.pans || cancelled || Math.abs(event.clientX - drag.from) <= DRAG_PX) return;
    const ends = [drag.at, this.time(event)].sort((a, b) => a - b);
    this.chart.show(...ends);
  }

  leave(event) {
    if (event.pointerType === "mouse" && !this.drag && document.activeElement !== event.currentTarget) this.chart.read(null);
  }

  key(event) {
    if (!this.chart.found || event.ctrlKey || event.metaKey || event.altKey) return;
    const { chart } = this;
    const acts = {
      ArrowLeft: () => (event.shiftKey ? chart.pan(-0.25) : chart.step(-1)),
      ArrowRight: () => (event.shiftKey ? chart.pan(0.25) : chart.step(1)),
      PageUp: () => chart.step(-10),
      PageDown: () => chart.step(10),
      "+": () => chart.zoom(0.5),
      "=": () => chart.zoom(0.5),
      "-": () => chart.zoom(2),
      "_": () => chart.zoom(2),
      Home: () => chart.reset(),
      Escape: () => chart.read(null),
    };
    const act = acts[event.key];
    if (!act) return;
    event.preventDefault();
    act();
  }
}
