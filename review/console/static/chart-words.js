// Times and readings in words, in the fleet's zone.

export function clockOf(zone) {
  const known = (options) => {
    try {
      return new Intl.DateTimeFormat("en-GB", { timeZone: zone, hourCycle: "h23", ...options });
    } catch {
      return new Intl.DateTimeFormat("en-GB", { timeZone: "UTC", hourCycle: "h23", ...options });
    }
  };
  const day = { weekday: "short", day: "numeric", month: "short" };
  const formats = {
    second: known({ ...day, hour: "2-digit", minute: "2-digit", second: "2-digit" }),
    minute: known({ ...day, hour: "2-digit", minute: "2-digit" }),
    dated: known({ day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" }),
    time: known({ hour: "2-digit", minute: "2-digit" }),
    second_only: known({ hour: "2-digit", minute: "2-digit", second: "2-digit" }),
    day: known({ day: "numeric", month: "short" }),
    month: known({ month: "short", year: "numeric" }),
    year: known({ year: "numeric" }),
  };
  return (name, at) => formats[name].format(at);
}

export function tickWords(clock, ticks, stepMs) {
  let before = "";
  return ticks.map((at) => {
    if (stepMs >= 27 * 86400000) return clock("month", at);
    if (stepMs >= 86400000) return clock("day", at);
    const words = clock(stepMs < 60000 ? "second_only" : "time", at);
    const day = clock("day", at);
    const told = day === before ? words : `${words}\n${day}`;
    before = day;
    return told;
  });
}

export function lengthWords(ms) {
  const minutes = ms / 60000;
  if (minutes < 1) return `${Math.round(ms / 1000)} s`;
  if (minutes < 120) return `${Math.round(minutes)} min`;
  if (minutes < 2 * 1440) return `${Math.round(minutes / 60)} h`;
  return `${Math.round(minutes / 1440)} days`;
}

export function spanWords(clock, first, last) {
  const long = last - first > 20 * 86400000;
  const form = long ? "dated" : "minute";
  return `${clock(form, first)} to ${clock(form, last)}`;
}

export function whenWords(clock, at, bucketMs) {
  if (bucketMs === 0) return clock("second", at);
  const from = at - bucketMs / 2;
  const form = bucketMs >= 3600000 ? "dated" : "minute";
  return `${clock(form, from)}, over ${lengthWords(bucketMs)}`;
}

const digits = (unit) => (unit === "°C" || unit === "°F" ? 1 : 0);

export function numberWords(value, unit) {
  return value.toLocaleString("en-US", { minimumFractionDigits: digits(unit), maximumFractionDigits: digits(unit) });
}

export function valueWords(panel, series, place) {
  const { data, unit } = panel;
  const mean = numberWords(data[series.mean][place], unit);
  if (!series.reduced) return `${mean} ${unit}`;
  const low = numberWords(data[series.low][place], unit);
  const high = numberWords(data[series.high][place], unit);
  if (series.band) return `about ${mean}, ${low} to ${high} ${unit}`;
  return low === high ? `${mean} ${unit}` : `${low} to ${high}, mean ${mean} ${unit}`;
}
