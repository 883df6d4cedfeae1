// From the JSON of a series to what is drawn: the reader's units, gaps that stay gaps, one table for each panel.

const MILE_KM = 1.609344;

// How a unit is shown to this reader: its sign, and the number in it.
export function shown(unit, choice) {
  if (unit === "°C" && choice.temperature === "F") return { sign: "°F", of: (c) => c * 1.8 + 32 };
  if (unit === "km/h" && choice.distance === "mi") return { sign: "mph", of: (v) => v / MILE_KM };
  return { sign: unit, of: (v) => v };
}

export const LOOKS = {
  fluid_temp_c: { colour: "--chart-fluid", dash: [], width: 2.5 },
  cooler_out_temp_c: { colour: "--chart-out", dash: [9, 4], width: 2 },
  cooler_return_temp_c: { colour: "--chart-return", dash: [3, 3], width: 2 },
  ambient_temp_c: { colour: "--chart-air", dash: [1, 4], width: 2 },
  coolant_temp_c: { colour: "--chart-coolant", dash: [12, 3, 2, 3], width: 2 },
  healthy: { colour: "--chart-healthy", dash: [6, 5], width: 1.5 },
  share: { colour: "--chart-return", dash: [], width: 2 },
  p_fault: { colour: "--chart-limit", dash: [5, 3], width: 2 },
};
const PLAIN = { colour: "--chart-work", dash: [], width: 1.75 };

export const look = (name) => LOOKS[name] || PLAIN;

const known = (value) => value !== null && value !== undefined;

// A short absence is bridged (undefined), a long one stays a gap (null).
function bridged(times, values, gapMs) {
  const out = values.slice();
  let last = -1;
  for (let i = 0; i < out.length; i++) {
    if (!known(out[i])) continue;
    if (last >= 0 && i - last > 1 && times[i] - times[last] <= gapMs) out.fill(undefined, last + 1, i);
    last = i;
  }
  return out;
}

// A table of times and columns with a row of nothing wherever more than a gap lies between two rows.
function broken(times, columns, gapMs) {
  const x = [];
  const out = columns.map(() => []);
  const kept = columns.map((values) => bridged(times, values, gapMs));
  for (let i = 0; i < times.length; i++) {
    if (i > 0 && times[i] - times[i - 1] > gapMs) {
      x.push(times[i - 1] + 1);
      out.forEach((column) => column.push(null));
    }
    x.push(times[i]);
    out.forEach((column, c) => column.push(kept[c][i]));
  }
  return [x, ...out];
}

// In a table put together from two, a gap reaches from the last known value to the next.
function stretched(column) {
  for (let i = 1; i < column.length; i++) if (column[i] === undefined && column[i - 1] === null) column[i] = null;
  for (let i = column.length - 2; i >= 0; i--) if (column[i] === undefined && column[i + 1] === null) column[i] = null;
}

// Where a value stands alone between two gaps: no line would show it.
export function alone(column) {
  const found = [];
  let before = null; // what stands before, absences that are bridged left out
  for (let i = 0; i < column.length; i++) {
    if (column[i] === undefined) continue;
    if (column[i] !== null && before === null) {
      let next = i + 1;
      while (next < column.length && column[next] === undefined) next++;
      if (next >= column.length || column[next] === null) found.push(i);
    }
    before = column[i];
  }
  return found;
}

const changed = (values, of) => values.map((value) => (known(value) ? of(value) : null));

function linesPanel(key, title, unit, lines, found, choice) {
  const { sign, of } = shown(unit, choice);
  const columns = [];
  const series = [];
  for (const line of [...lines].reverse()) { // the first is drawn last, on top
    const reduced = line.low.length > 0;
    const place = columns.length + 1;
    if (reduced) columns.push(changed(line.low, of), changed(line.high, of));
    columns.push(changed(line.mean, of));
    series.push({ name: line.name, label: line.label, reduced, low: place, high: place + 1, mean: place + (reduced ? 2 : 0) });
  }
  return { key, title: `${title}, ${sign}`, unit: sign, data: broken(found.time_ms, columns, found.gap_ms), series, fixed: null };
}

function withHealthy(panel, found, choice) {
  if (!found.healthy) return panel;
  const { of } = shown("°C", choice);
  const band = found.healthy;
  const columns = [band.low, band.high, band.mean].map((values) => changed(values, of));
  const gapMs = Math.max(found.gap_ms, 2.5 * 60000);
  const data = uPlot.join([broken(band.time_ms, columns, gapMs), panel.data]);
  data.slice(1).forEach(stretched);
  const healthy = { name: "healthy", label: "healthy truck (8 in 10)", reduced: true, band: true, low: 1, high: 2, mean: 3 };
  const after = panel.series.map((each) => ({ ...each, low: each.low + 3, high: each.high + 3, mean: each.mean + 3 }));
  return { ...panel, data, series: [healthy, ...after] };
}

function circuitPanel(found) {
  const circuit = found.circuit;
  if (!circuit || !circuit.time_ms.length) return null;
  const percent = (value) => value * 100;
  const columns = [changed(circuit.p_fault, percent), changed(circuit.share, percent)];
  const steps = circuit.time_ms.slice(1).map((at, i) => at - circuit.time_ms[i]);
  const usual = steps.length ? steps.slice().sort((a, b) => a - b)[Math.floor(steps.length / 2)] : 0;
  // States kept by the day stand until the next: the truck may not have moved in between.
  const kept = usual > 3 * 3600000;
  const gapMs = kept ? Infinity : Math.max(found.gap_ms, 3 * usual);
  return {
    stepped: kept,
    key: "circuit",
    title: "Cooling circuit as estimated, %",
    unit: "%",
    data: broken(circuit.time_ms, columns, gapMs),
    series: [
      { name: "p_fault", label: "fault in the circuit, probability", reduced: false, mean: 1 },
      { name: "share", label: "cooler carries, of its own healthy share", reduced: false, mean: 2 },
    ],
    fixed: [0, 110],
  };
}

// One panel for the temperatures, one for the circuit, one for each other unit.
export function panelsOf(found, choice) {
  const sent = found.lines.filter((line) => line.mean.some(known));
  const heat = sent.filter((line) => line.unit === "°C");
  const panels = [];
  if (heat.length) {
    const panel = linesPanel("heat", "Temperature", "°C", heat, found, choice);
    panels.push({ ...withHealthy(panel, found, choice), main: true });
  }
  for (const line of sent.filter((each) => each.unit !== "°C")) {
    const name = line.label.charAt(0).toUpperCase() + line.label.slice(1);
    panels.push(linesPanel(line.name, name, line.unit, [line], found, choice));
  }
  const circuit = choice.panels ? circuitPanel(found) : null;
  if (circuit) panels.splice(heat.length ? 1 : 0, 0, circuit);
  return panels;
}

// What was asked for and never came in this span.
export const missing = (found) => found.lines.filter((line) => !line.mean.some(known)).map((line) => line.label);

// The place of the known value nearest to a time, none if there is none within a gap.
export function nearest(times, values, at, gapMs) {
  let low = 0;
  let high = times.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (times[middle] < at) low = middle + 1;
    else high = middle;
  }
  let best = -1;
  let left = low - 1;
  while (left >= 0 && at - times[left] <= gapMs && !known(values[left])) left--;
  let right = low;
  while (right < times.length && times[right] - at <= gapMs && !known(values[right])) right++;
  for (const place of [left, right]) {
    if (place < 0 || place >= times.length || !known(values[place])) continue;
    const off = Math.abs(times[place] - at);
    if (off <= gapMs && (best < 0 || off < Math.abs(times[best] - at))) best = place;
  }
  return best;
}
