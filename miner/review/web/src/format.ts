// Numbers as a technician reads them: three to four digits and a fitting unit.

const THIN = "\u202f";

export function digits(value: number, n = 4): string {
  if (value === 0) return "0";
  const places = Math.max(0, n - 1 - Math.floor(Math.log10(Math.abs(value))));
  return value.toFixed(Math.min(places, 12));
}

export function duration(seconds: number, n = 4): string {
  const size = Math.abs(seconds);
  if (size === 0) return `0${THIN}s`;
  if (size < 1e-6) return `${digits(seconds * 1e9, n)}${THIN}ns`;
  if (size < 1e-3) return `${digits(seconds * 1e6, n)}${THIN}µs`;
  if (size < 1) return `${digits(seconds * 1e3, n)}${THIN}ms`;
  if (size < 120) return `${digits(seconds, n)}${THIN}s`;
  return `${digits(seconds / 60, n)}${THIN}min`;
}

export const micros = (us: number | null): string => (us === null ? "not measured" : duration(us * 1e-6));

export function volts(v: number, unit = "V"): string {
  return Number.isFinite(v) ? `${v.toFixed(Math.abs(v) < 10 ? 3 : 2)}${THIN}${unit}` : "–";
}

/** A length of time in words. */
export function length(seconds: number): string {
  if (seconds < 10) return `${Number(seconds.toPrecision(2))}${THIN}s`;
  const whole = Math.round(seconds);
  if (whole < 60) return `${whole}${THIN}s`;
  if (whole < 600 && whole % 60) return `${Math.floor(whole / 60)}${THIN}min ${whole % 60}${THIN}s`;
  const minutes = Math.round(whole / 60);
  const parts: [number, string][] = [[Math.floor(minutes / 60), "h"], [minutes % 60, "min"]];
  return parts.filter(([n]) => n).map(([n, unit]) => `${n}${THIN}${unit}`).join(" ");
}

/** h:mm:ss.fraction since the start of the recording. */
export function clock(seconds: number, places = 3): string {
  const sign = seconds < 0 ? "−" : "";
  const total = Number(Math.abs(seconds).toFixed(places)); // rounded first: 59.996 is a minute, not 59 seconds and 1.00
  const whole = Math.floor(total);
  const fraction = places ? (total - whole).toFixed(places).slice(1) : "";
  return `${sign}${Math.floor(whole / 3600)}:${pair(Math.floor(whole / 60) % 60)}:${pair(whole % 60)}${fraction}`;
}

const pair = (n: number) => String(n).padStart(2, "0");

/** Time of day in the recording's own offset from UTC; empty where its start is not known. */
export function timeOfDay(startedAt: string | null, seconds: number): string {
  const found = /^(\d{4}-\d{2}-\d{2})(?:[T ](\d{2}):(\d{2})(?::(\d{2})(\.\d+)?)?)?/.exec(startedAt ?? "");
  if (!found) return "";
  const [, day, h = "0", m = "0", s = "0", part = "0"] = found;
  const start = Date.parse(`${day}T00:00:00Z`) + 1000 * (3600 * Number(h) + 60 * Number(m) + Number(s) + Number(part));
  if (Number.isNaN(start)) return "";
  const then = new Date(start + 1000 * seconds).toISOString();
  const time = then.slice(11, 19);
  return then.slice(0, 10) === day ? time : `${then.slice(0, 10)} ${time}`;
}

/** A rate an hour with as many digits as it deserves. */
export function rateNumber(perHour: number): string {
  if (perHour < 0.001) return "< 0.001";
  return perHour < 9.95 ? String(Number(perHour.toPrecision(2))) : Math.round(perHour).toLocaleString("en");
}

export const rate = (perHour: number): string => `${rateNumber(perHour).replace("< ", "under ")} an hour`;

const UNITS: [string, string][] = [["_us", "µs"], ["_v", "V"], ["_deg", "°"], ["_rpm", "rpm"], ["_a", "A"]];

/** A value of the event table in its unit: voltages to a millivolt, angles to a tenth of a degree. */
export function measureValue(column: string, value: number | null): string {
  if (value === null) return "–";
  if (column.endsWith("_us")) return micros(value);
  const unit = UNITS.find(([ending]) => column.endsWith(ending))?.[1];
  const places = unit === "V" ? 3 : unit === "°" ? 1 : unit === "A" ? 2 : 0;
  const written = unit === "rpm" ? Math.round(value).toLocaleString("en") : value.toFixed(places).replace(/^-(0(\.0+)?)$/, "$1");
  return `${written}${unit === "°" ? unit : unit ? THIN + unit : ""}`;
}
