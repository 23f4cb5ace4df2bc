// Two movable marks that read time and voltage differences.
import { el, replace } from "./dom";
import { clock, duration, volts } from "./format";
import type { State } from "./state";
import type { View } from "./types";

export interface Axis {
  toPixel(time_s: number): number; // CSS pixels from the left edge of the picture
  toTime(pixel: number): number;
  width(): number;
}

const NAMES = ["A", "B"] as const;

export class Marks {
  readonly times: (number | null)[] = [null, null];
  readonly layer = el("div", { class: "marks" });
  readonly readout = el("div", { class: "readout", role: "status", "aria-label": "Marks" });
  private readonly handles: HTMLElement[];

  constructor(
    private readonly state: State,
    private readonly axis: Axis,
    private readonly shown: () => View | null,
  ) {
    this.handles = NAMES.map((name, i) => this.handle(name, i));
    this.layer.append(...this.handles);
  }

  private handle(name: string, i: number): HTMLElement {
    const handle = el(
      "div",
      { class: `mark mark-${name}`, role: "slider", tabindex: 0, "aria-label": `Mark ${name}`, hidden: true },
      el("span", {}, name),
    );
    handle.addEventListener("pointerdown", (event) => {
      handle.setPointerCapture(event.pointerId);
      event.stopPropagation();
    });
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      this.put(i, this.axis.toTime(event.clientX - this.layer.getBoundingClientRect().left));
    });
    handle.addEventListener("keydown", (event) => {
      const direction = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      const time = this.times[i];
      if (direction === undefined || time === null || time === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      const pixel = this.axis.toTime(1) - this.axis.toTime(0);
      const sample = 1 / this.state.opened.recording.rate_hz;
      this.put(i, time + direction * (event.altKey ? sample : event.shiftKey ? 10 * pixel : pixel));
    });
    return handle;
  }

  put(i: number, time_s: number | null): void {
    const [low, high] = [0, this.state.opened.recording.duration_s];
    this.times[i] = time_s === null ? null : Math.min(Math.max(time_s, low), high);
    this.draw();
  }

  clear(): void {
    this.put(0, null);
    this.put(1, null);
  }

  draw(): void {
    this.handles.forEach((handle, i) => {
      const time = this.times[i] ?? null;
      const x = time === null ? -1 : this.axis.toPixel(time);
      handle.hidden = time === null || x < 0 || x > this.axis.width();
      handle.style.transform = `translateX(${x}px)`;
      if (time === null) return;
      handle.setAttribute("aria-valuenow", time.toFixed(9));
      handle.setAttribute("aria-valuetext", clock(time, 6));
    });
    this.read();
  }

  private read(): void {
    const [a, b] = this.times as [number | null, number | null];
    if (a === null && b === null) {
      replace(this.readout, el("span", { class: "faint" }, "Marks: press 1 and 2 at the pointer, then drag them or move them with the arrow keys."));
      return;
    }
    const cells = [el("b", {}, a === null ? "" : `A ${clock(a, 6)}`), el("b", {}, b === null ? "" : `B ${clock(b, 6)}`)];
    if (a !== null && b !== null) cells.push(el("b", { class: "delta" }, `B − A ${duration(b - a, 6)}`));
    for (const lead of this.state.leads) {
      const [va, vb] = [this.value(lead.index, a), this.value(lead.index, b)];
      const difference = va && vb ? ` Δ ${this.difference(va, vb, lead.unit)}` : "";
      const text = [va, vb].map((v) => (v === null ? "–" : reading(v, lead.unit))).join(" → ");
      cells.push(el("b", { class: "volts" }, el("i", { class: `ink-${lead.index % 6}` }, lead.column), ` ${text}${difference}`));
    }
    replace(this.readout, ...cells);
  }

  private difference(a: Reading, b: Reading, unit: string): string {
    return a[0] === a[1] && b[0] === b[1] ? volts(b[0] - a[0], unit) : "– (zoom in)";
  }

  /** Voltage at a mark, linear between true samples, or the ends of the block that lies there; null without samples. */
  private value(lead: number, time_s: number | null): Reading | null {
    const view = this.shown();
    const values = view?.values.get(lead);
    if (time_s === null || !view || !values) return null;
    const after = firstAtLeast(view.time_s, time_s);
    if (view.step !== 1) {
      const [low, high] = [values[2 * after - 2], values[2 * after - 1]];
      return low === undefined || high === undefined || Number.isNaN(low) ? null : [low, high];
    }
    const [t1, v1] = [view.time_s[after], values[after]];
    if (t1 === undefined || v1 === undefined) return null;
    const [t0, v0] = [view.time_s[after - 1] ?? t1, values[after - 1] ?? v1];
    const v = t1 === t0 ? v1 : v0 + ((v1 - v0) * (time_s - t0)) / (t1 - t0);
    return Number.isFinite(v) ? [v, v] : null;
  }
}

type Reading = [low: number, high: number];

function reading([low, high]: Reading, unit: string): string {
  return low === high ? volts(low, unit) : `${volts(low, unit)} to ${volts(high, unit)}`;
}

export function firstAtLeast(sorted: Float64Array, value: number): number {
  let [low, high] = [0, sorted.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if ((sorted[middle] ?? Infinity) < value) low = middle + 1;
    else high = middle;
  }
  return low;
}
