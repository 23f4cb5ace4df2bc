// What mining found out about the list as a whole, in words and tables.
import { el } from "./dom";
import { digits, duration } from "./format";
import { counted, cylinderName, kindName } from "./names";
import type { Explained, MisfireWindows, Smallest } from "./types";

export function explainedParts(explained: Explained): HTMLElement[] {
  const { conditions, standing, sensitivity, misfire_windows } = explained;
  return [
    standing ? sentences("What one cylinder always does differently from the others", standing, "No difference that matters.") : null,
    conditions ? sentences("Conditions in which suspects crowd", conditions, "No pattern is proven: so few suspects could lie as they do by chance, whatever the charts seem to show.") : null,
    sensitivity ? sensitivityPart(sensitivity) : null,
    misfire_windows ? misfirePart(misfire_windows) : null,
  ].filter((part) => part !== null);
}

function sentences(title: string, lines: string[], none: string): HTMLElement {
  return el("section", { class: "told" }, el("h2", {}, title), el("ul", {}, ...(lines.length ? lines : [none]).map((line) => el("li", {}, line))));
}

function sensitivityPart(found: NonNullable<Explained["sensitivity"]>): HTMLElement {
  const limits = found.fault_rate_limits;
  const limit = limits
    ? `${limits.n_suspects.toLocaleString("en")} of ${counted(limits.n_events, "event")} ${limits.n_suspects === 1 ? "is a suspect" : "are suspects"} at no more than one false alarm an hour: with 95 % confidence ` +
      `there are at most ${digits(limits.per_1000_events, 3)} such events in 1,000, or ${digits(limits.per_hour, 3)} an hour.`
    : "";
  return el(
    "section", { class: "told" },
    el("h2", {}, "What would have been found: smallest size found in 9 of 10 cases, at no more than one false alarm an hour"),
    limit ? el("p", {}, limit) : null,
    smallestTable(found.smallest_found),
  );
}

function smallestTable(rows: Smallest[]): HTMLElement {
  const cylinders = [...new Set(rows.map((r) => r.cylinder))].sort((a, b) => (a ?? 0) - (b ?? 0));
  const kinds = [...new Set(rows.map((r) => r.kind))];
  const cell = (kind: string, cylinder: number | null) => {
    const row = rows.find((r) => r.kind === kind && r.cylinder === cylinder);
    return el("td", { title: row?.sentence ?? "" }, row ? size(row) : "not recorded");
  };
  return el(
    "table", { class: "measures sensitivity" },
    el("thead", {}, el("tr", {}, el("th", {}, "kind"), ...cylinders.map((c) => el("th", {}, cylinderName(c))))),
    el("tbody", {}, ...kinds.map((kind) => el("tr", {}, el("th", { scope: "row" }, kindName(kind)), ...cylinders.map((c) => cell(kind, c))))),
  );
}

function size(row: Smallest): string {
  if (row.size === null) return "not known";
  if (row.kind.startsWith("absent") || row.unit === "pulses") return "a single one";
  if (row.unit === "us") return duration(row.size * 1e-6, 2);
  return row.unit.startsWith("share") ? `${digits(100 * row.size, 2)}\u202f%` : `${digits(row.size, 2)}${row.unit === "deg" ? "°" : `\u202f${row.unit}`}`;
}

function misfirePart(part: NonNullable<Explained["misfire_windows"]>): HTMLElement {
  const lines = ["200", "1000"].map((revolutions) => {
    const w = part[`per_${revolutions}_revolutions`] as MisfireWindows | undefined;
    return w ? `${revolutions} crank revolutions: ${w.n_above.toLocaleString("en")} of ${counted(w.n_windows, "window")} ${w.n_above === 1 ? "reaches" : "reach"} ${digits(w.threshold_pct, 2)} % absent events; the worst has ${digits(w.worst_pct, 2)} %.` : "";
  });
  return sentences("Absent events in the windows of the misfire regulation", [...lines.filter(Boolean), part.note], "");
}
