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
  const whole = Math.round(seconds);
  const parts: [number, string][] = [[Math.floor(whole / 3600), "h"], [Math.floor(whole / 60) % 60, "min"], [whole % 60, "s"]];
  return parts.filter(([n], i) => n || i === 2).map(([n, unit]) => `${n}${THIN}${unit}`).join(" ");
}

/** h:mm:ss.fraction since the start of the recording. */
export function clock(seconds: number, places = 3): string {
  const sign = seconds < 0 ? "−" : "";
  const total = Math.abs(seconds);
  const whole = Math.floor(Number(total.toFixed(places)));
  const fraction = places ? (total - whole).toFixed(places).slice(1) : "";
  const pair = (n: number) => String(n).padStart(2, "0");
  const h = Math.floor(whole / 3600);
  return `${sign}${h ? `${h}:` : ""}${pair(Math.floor(whole / 60) % 60)}:${pair(whole % 60)}${fraction}`;
}

export function rate(perHour: number): string {
  if (perHour < 0.001) return "under 0.001 an hour";
  return `${digits(perHour, 2)} an hour`;
}

export const words = (name: string): string => name.replaceAll("_", " ");

export const cylinderName = (cylinder: number | null): string => (cylinder === null ? "cyl ?" : `cyl ${cylinder}`);

const UNITS: [string, string][] = [["_us", "µs"], ["_v", "V"], ["_deg", "°"], ["_rpm", "rpm"], ["_a", "A"]];

/** A measure of the event table in words, without its unit. */
export function measureName(column: string): string {
  if (column === "engine_rpm") return "engine speed";
  const unit = UNITS.find(([ending]) => column.endsWith(ending));
  return words(unit ? column.slice(0, -unit[0].length) : column);
}

export function measureValue(column: string, value: number | null): string {
  if (value === null) return "–";
  if (column.endsWith("_us")) return micros(value);
  const unit = UNITS.find(([ending]) => column.endsWith(ending));
  return `${digits(value)}${unit ? THIN + unit[1] : ""}`;
}
