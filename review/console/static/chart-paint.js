// What is painted beside the lines: nights, alarms with their words, services, limits with their words.

const LANE = 20;
const MOST_LANES = 5;

export function colours(figure) {
  const style = getComputedStyle(figure);
  return (name) => style.getPropertyValue(name).trim();
}

export function hatch(context, colour, ratio, slope) {
  const size = Math.round(8 * ratio);
  const tile = document.createElement("canvas");
  tile.width = tile.height = size;
  const pen = tile.getContext("2d");
  pen.strokeStyle = colour;
  pen.lineWidth = ratio;
  pen.beginPath();
  for (const shift of [-size, 0, size]) {
    pen.moveTo(shift, slope > 0 ? size : 0);
    pen.lineTo(shift + size, slope > 0 ? 0 : size);
  }
  pen.stroke();
  return context.createPattern(tile, "repeat");
}

// Alarms that overlap lie in lanes one above the other.
export function laned(alarms) {
  const ends = [];
  return alarms.map((alarm) => {
    let lane = ends.findIndex((end) => end <= alarm.first_ms);
    if (lane < 0) lane = Math.min(ends.length, MOST_LANES - 1);
    ends[lane] = alarm.last_ms;
    return { ...alarm, lane };
  });
}

export const laneRoom = (marks) => (marks.length ? (Math.max(...marks.map((mark) => mark.lane)) + 1) * LANE + 6 : 8);

function span(u, first, last) {
  const { left, width } = u.bbox;
  const from = Math.max(left, Math.min(left + width, u.valToPos(first, "x", true)));
  const to = Math.max(left, Math.min(left + width, u.valToPos(last, "x", true)));
  return [from, to - from];
}

export function paintNights(u, nights, colour) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.fillStyle = colour("--chart-night");
  for (const night of nights) {
    const [x, width] = span(u, night.first_ms, night.last_ms);
    if (width > 0) ctx.fillRect(x, bbox.top, width, bbox.height);
  }
  ctx.restore();
}

function outside(u, mark) {
  return mark.last_ms < u.scales.x.min || mark.first_ms > u.scales.x.max;
}

export function paintHatches(u, marks, colour) {
  const { ctx, bbox } = u;
  const ratio = uPlot.pxRatio;
  ctx.save();
  for (const mark of marks) {
    if (outside(u, mark)) continue;
    const [x, width] = span(u, mark.first_ms, mark.last_ms);
    ctx.globalAlpha = 0.25;
    const own = colour(`--chart-${mark.priority}`);
    ctx.fillStyle = hatch(ctx, own, ratio, 1);
    ctx.fillRect(x, bbox.top, Math.max(width, 2 * ratio), bbox.height);
    ctx.globalAlpha = 0.9;
    ctx.fillStyle = own;
    if (mark.begins) ctx.fillRect(x, bbox.top, 1.5 * ratio, bbox.height);
    if (mark.ends) ctx.fillRect(x + width, bbox.top, 1.5 * ratio, bbox.height);
  }
  ctx.restore();
}

function fitted(ctx, text, room) {
  if (ctx.measureText(text).width <= room) return text;
  let kept = text;
  while (kept.length > 3 && ctx.measureText(`${kept}…`).width > room) kept = kept.slice(0, -1);
  return kept.length > 3 ? `${kept}…` : "";
}

export function paintLanes(u, marks, bands, font) {
  const { ctx, bbox } = u;
  const ratio = uPlot.pxRatio;
  ctx.save();
  ctx.font = font;
  ctx.textBaseline = "middle";
  for (const mark of marks) {
    if (outside(u, mark)) continue;
    const [x, width] = span(u, mark.first_ms, mark.last_ms);
    const top = bbox.top - (mark.lane + 1) * LANE * ratio - 2 * ratio;
    const height = (LANE - 2) * ratio;
    ctx.fillStyle = bands[mark.priority].ground;
    ctx.fillRect(x, top, Math.max(width, 4 * ratio), height);
    ctx.fillStyle = bands[mark.priority].ink;
    ctx.textAlign = "left";
    ctx.fillText(fitted(ctx, mark.label, width - 10 * ratio), x + 5 * ratio, top + height / 2);
  }
  ctx.restore();
}

// The span from least to greatest of a point that stands alone.
export function paintAlone(u, data, series, places, colour) {
  const { ctx } = u;
  ctx.save();
  ctx.strokeStyle = colour;
  ctx.globalAlpha = 0.45;
  ctx.lineWidth = 2.5 * uPlot.pxRatio;
  ctx.beginPath();
  for (const place of places) {
    const at = data[0][place];
    if (at < u.scales.x.min || at > u.scales.x.max) continue;
    const x = u.valToPos(at, "x", true);
    ctx.moveTo(x, u.valToPos(data[series.low][place], "y", true));
    ctx.lineTo(x, u.valToPos(data[series.high][place], "y", true));
  }
  ctx.stroke();
  ctx.restore();
}

export function paintServices(u, services, colour, font) {
  const { ctx, bbox } = u;
  const ratio = uPlot.pxRatio;
  ctx.save();
  ctx.font = font;
  ctx.textBaseline = "bottom";
  ctx.strokeStyle = ctx.fillStyle = colour("--ink");
  ctx.lineWidth = 1.5 * ratio;
  ctx.setLineDash([2 * ratio, 3 * ratio]);
  let free = -Infinity;
  for (const each of services) {
    if (each.time_ms < u.scales.x.min || each.time_ms > u.scales.x.max) continue;
    const x = u.valToPos(each.time_ms, "x", true);
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    const width = ctx.measureText(each.label).width;
    const right = x + width + 6 * ratio > bbox.left + bbox.width;
    const from = right ? x - width - 4 * ratio : x + 4 * ratio;
    if (from < free) continue;
    ctx.fillText(each.label, from, bbox.top + bbox.height - 3 * ratio);
    free = from + width + 8 * ratio;
  }
  ctx.restore();
}

export function paintLimits(u, limits, colour, font) {
  const { ctx, bbox } = u;
  const ratio = uPlot.pxRatio;
  ctx.save();
  ctx.font = font;
  ctx.textAlign = "right";
  ctx.strokeStyle = ctx.fillStyle = colour("--chart-limit");
  ctx.lineWidth = 1.5 * ratio;
  ctx.setLineDash([8 * ratio, 5 * ratio]);
  for (const limit of limits) {
    if (limit.at < u.scales.y.min || limit.at > u.scales.y.max) continue;
    const y = u.valToPos(limit.at, "y", true);
    ctx.beginPath();
    ctx.moveTo(bbox.left, y);
    ctx.lineTo(bbox.left + bbox.width, y);
    ctx.stroke();
    ctx.textBaseline = "bottom";
    const wide = ctx.measureText(limit.words).width + 8 * ratio;
    const end = bbox.left + bbox.width;
    ctx.fillStyle = colour("--card");
    ctx.globalAlpha = 0.8;
    ctx.fillRect(end - wide, y - 17 * ratio, wide, 15 * ratio);
    ctx.globalAlpha = 1;
    ctx.fillStyle = colour("--chart-limit");
    ctx.fillText(limit.words, end - 4 * ratio, y - 3 * ratio);
  }
  ctx.restore();
}
