// Pictures of the statistics.
import { againstDue, bars, scatter } from "./chart";
import { el, replace } from "./dom";
import { explainedParts } from "./explained";
import { INK } from "./ink";
import { silencePart } from "./silences";
import type { State } from "./state";
import type { Arrays, EventRow, Figures } from "./types";

export async function drawFigures(state: State, root: HTMLElement, go: (time_s: number) => void): Promise<void> {
  replace(root, el("p", { class: "state", role: "status" }, "Counting …"));
  try {
    const [figures, arrays] = await state.source.figures();
    replace(root, ...otherPictures(figures, arrays), ...speedPictures(state, figures, arrays), silencePart(state, go), el("div", { class: "telling" }, ...explainedParts(figures.explained)));
  } catch (error) {
    replace(root, el("p", { class: "state error", role: "alert" }, error instanceof Error ? error.message : String(error)));
  }
}

function speedPictures(state: State, figures: Figures, arrays: Arrays): HTMLElement[] {
  const rows = (["on", "delay"] as const).map((name) => {
    const known = figures.cylinders.filter((c) => Array.from(arrays[`${name}_${c}`] ?? []).some(Number.isFinite));
    const charts = known.map((cylinder) => {
      const suspects = state.suspects.filter((s) => (s.cylinder ?? 0) === cylinder).map((s) => s.event);
      const field = name === "on" ? "on_time_us" : "delay_us";
      return scatter(
        cylinder ? `cylinder ${cylinder}` : "cylinder not told",
        [
          { x: arrays[`rpm_${cylinder}`] ?? [], y: inMs(arrays[`${name}_${cylinder}`] ?? []), ink: () => INK.points, size: 2.5 },
          { x: suspects.map((e) => e.engine_rpm ?? NaN), y: suspects.map((e) => measured(e, field)), ink: () => INK.suspect, size: 3.5, cross: true },
        ],
        "engine speed, rpm", name === "on" ? "on-time, ms" : "delay, ms",
      );
    });
    const title = name === "on" ? "On-time against speed" : "Delay of the feedback against speed";
    const others = figures.cylinders.filter((c) => c > 0 && !known.includes(c)); // 0: cannot be told
    const where = `cylinder${others.length === 1 ? "" : "s"} ${others.join(", ")}`;
    const note = others.length && known.length ? `; not measured on ${where}: no command lead there` : "";
    return known.length ? el("section", {}, el("h2", {}, `${title} (crosses: suspects${note})`), el("div", { class: "charts" }, ...charts)) : null;
  });
  return rows.filter((row) => row !== null);
}

const inMs = (us: ArrayLike<number>) => Float64Array.from(us, (v) => v / 1000);
const measured = (event: EventRow, field: "on_time_us" | "delay_us") => (event[field] ?? NaN) / 1000;

function otherPictures(figures: Figures, arrays: Arrays): HTMLElement[] {
  const when = figures.when;
  return [
    el(
      "section", {},
      el("h2", {}, "When does it happen, and how often? Suspects with at most one false alarm an hour; lines: 95 % interval"),
      el(
        "div", { class: "charts" },
        bars("by engine speed", when.speed, "rpm"),
        bars("by time since the start", when.time, "minutes"),
        bars("by cylinder", when.cylinder, "cylinder"),
        againstDue("events listed up to each rate, and those due", arrays["rate"] as Float64Array, figures.rates),
      ),
    ),
  ];
}
