// The zoom: all leads around the suspect, from the whole recording to a microsecond.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import { Annotator, type Scene, pulseEnd } from "./annotate";
import { el } from "./dom";
import { clock, digits, duration } from "./format";
import { FONT, INK, leadInk } from "./ink";
import { Lanes } from "./lanes";
import { Marks } from "./marks";
import { listenPointer } from "./pointer";
import type { State } from "./state";
import type { Suspect, View } from "./types";

const GUTTER = 44; // left of the strips, for the voltages
const HEAD = 26; // above them, for the slots
const PAPER = { width: 940, height: 370 }; // fits A4 and Letter, landscape
const MARGIN = 0.25; // read beyond each side, so that a small pan shows leads at once
const KEPT_AHEAD = 8;
const FAR_S = 2; // wider views are labelled with the recording's clock, closer ones count from the suspect
const TICKS = [1, 2, 5].flatMap((s) => Array.from({ length: 13 }, (_, k) => s * 10 ** (k - 10))).sort((a, b) => a - b);
const CLOCK_TICKS = [...TICKS.filter((t) => t < 10), 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];

export class Zoom {
  readonly root = el("div", { class: "zoom", id: "zoom", tabindex: 0, role: "application", "aria-label": "Leads; arrow keys move, plus and minus zoom" });
  readonly marks: Marks;
  boxMode = false;
  pointer: number | null = null; // time under the pointer
  private readonly status = el("p", { class: "zoom-status", role: "status" });
  private readonly lanes: Lanes;
  private readonly scene: Scene = { zero: 0, events: null, selected: null, usual: null };
  private readonly annotator: Annotator;
  private readonly plot: uPlot;
  private shown: View | null = null;
  private asked: AbortController | null = null;
  private waiting = false;
  private readonly ahead = new Map<number, View>(); // close views of the suspects next in the list
  private printing = false;
  private counter = 0;

  constructor(
    private readonly state: State,
    holder: HTMLElement,
  ) {
    this.lanes = new Lanes(state.leads);
    this.annotator = new Annotator(this.lanes, this.scene, state.opened.typical, state.opened.map.gaps);
    holder.append(this.root);
    this.plot = new uPlot(this.options(), this.aligned(null), this.root);
    this.marks = new Marks(
      state,
      {
        toPixel: (t) => this.plot.valToPos(t - this.scene.zero, "x"),
        toTime: (x) => this.toTime(x),
        width: () => this.plot.over.clientWidth,
      },
      () => this.shown,
    );
    this.plot.over.append(this.marks.layer);
    holder.append(this.status, this.marks.readout);
    listenPointer(this.plot.over, this);
    new ResizeObserver(() => this.resize()).observe(this.root);
    addEventListener("beforeprint", () => this.resizeFor(true));
    addEventListener("afterprint", () => this.resizeFor(false));
    state.on("selection", () => this.goToSuspect());
    this.marks.draw();
  }

  private options(): uPlot.Options {
    const strips = this.state.leads;
    const scales: uPlot.Scales = { x: { time: false, auto: false } };
    for (const lead of strips) scales[this.lanes.scaleName(lead.index)] = { auto: false, range: () => this.lanes.limits(lead.index) };
    const series = strips.map((lead): uPlot.Series => ({
      scale: this.lanes.scaleName(lead.index), stroke: leadInk(lead.index), width: 1.25, points: { show: false }, spanGaps: false,
    }));
    return {
      ...this.size(),
      padding: [HEAD, 28, 0, GUTTER],
      legend: { show: false },
      cursor: { drag: { x: false, y: false, setScale: false }, y: false, points: { show: false } },
      scales,
      series: [{}, ...series],
      axes: [
        {
          scale: "x", stroke: INK.text, font: FONT, size: 26, space: 70, grid: { stroke: INK.grid, width: 1 }, ticks: { stroke: INK.rule, width: 1, size: 5 },
          incrs: () => (this.isFar() ? CLOCK_TICKS : TICKS),
          values: (_u, splits) => splits.map((v) => this.tickText(v, splits)),
        },
      ],
      hooks: {
        drawClear: [(u) => this.annotator.drawUnder(u, devicePixelRatio)],
        drawAxes: [(u) => this.lanes.drawFrame(u, devicePixelRatio)],
        draw: [(u) => this.annotator.drawOver(u, devicePixelRatio)],
        setCursor: [(u) => (this.pointer = (u.cursor.left ?? -1) < 0 ? null : u.posToVal(u.cursor.left ?? 0, "x") + this.scene.zero)],
      },
    };
  }

  private size(): { width: number; height: number } {
    return { width: Math.max(this.root.clientWidth, 320), height: Math.max(this.root.clientHeight, 200) };
  }

  /** Paper has a width of its own; the picture keeps it while the page is printed. */
  private resizeFor(printing: boolean): void {
    this.printing = printing;
    if (printing) {
      this.plot.setSize(PAPER);
      this.marks.draw();
    } else this.resize();
  }

  private resize(): void {
    if (this.printing) return;
    const { width, height } = this.size();
    if (width === this.plot.width && height === this.plot.height) return;
    this.plot.setSize({ width, height });
    this.ask();
  }

  private isFar(): boolean {
    return this.state.view[1] - this.state.view[0] > FAR_S;
  }

  private tickText(v: number, splits: number[]): string {
    const step = Math.abs((splits[1] ?? 1) - (splits[0] ?? 0)) || 1;
    if (this.isFar()) return clock(v + this.scene.zero, Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)));
    const [unit, factor] = step >= 0.05 ? ["s", 1] : step >= 5e-5 ? ["ms", 1e3] : step >= 5e-8 ? ["µs", 1e6] : ["ns", 1e9];
    const places = Math.max(0, Math.ceil(-Math.log10(step * factor) - 1e-9));
    const value = Math.abs(v) < step * 1e-3 ? 0 : v * factor;
    return `${value > 0 ? "+" : value < 0 ? "−" : ""}${Math.abs(value).toFixed(places)}\u202f${unit}`;
  }

  private aligned(view: View | null): uPlot.AlignedData {
    if (!view?.time_s.length) return [[], ...this.state.leads.map(() => [])];
    const repeat = view.step === 1 ? 1 : 2;
    const x = new Float64Array(view.time_s.length * repeat);
    for (let i = 0; i < x.length; i++) x[i] = (view.time_s[repeat === 1 ? i : i >> 1] ?? NaN) - this.scene.zero;
    const nothing = new Float32Array(x.length).fill(NaN);
    return [x, ...this.state.leads.map((lead) => nullify(view.values.get(lead.index) ?? nothing))];
  }

  /** Time at CSS pixels from the left edge of the strips. */
  toTime(pixel: number): number {
    return this.plot.posToVal(pixel, "x") + this.scene.zero;
  }

  /** Show [start, stop] seconds; what is already there is stretched at once, the rest follows. */
  setView(start_s: number, stop_s: number): void {
    const { duration_s, rate_hz } = this.state.opened.recording;
    const least = Math.min(4 / rate_hz, duration_s, 1e-6);
    const span = Math.min(Math.max(stop_s - start_s, least), duration_s);
    const start = Math.min(Math.max(start_s + (stop_s - start_s - span) / 2, 0), duration_s - span);
    this.state.view = [start, start + span];
    this.state.tell("view");
    this.ask();
    this.render();
  }

  pan(share: number): void {
    const [a, b] = this.state.view;
    this.setView(a + share * (b - a), b + share * (b - a));
  }

  /** Make the view ``factor`` times as wide around a time (its middle without one). */
  zoom(factor: number, around?: number | null): void {
    const [a, b] = this.state.view;
    const at = around ?? (a + b) / 2;
    this.setView(at - (at - a) * factor, at + (b - at) * factor);
  }

  goToSuspect(): void {
    const suspect = this.state.selected;
    this.scene.selected = suspect;
    this.scene.usual = null;
    if (!suspect) return;
    void this.fetchUsual(suspect);
    const known = this.ahead.get(suspect.event_id);
    if (known) this.take(known);
    this.setView(...closeView(suspect));
  }

  /** Read the neighbours in the list while the person looks, so that stepping need not wait. */
  private async readAhead(): Promise<void> {
    const rows = this.state.listed();
    const at = rows.findIndex((s) => s.event_id === this.state.selected?.event_id);
    for (const suspect of [rows[at + 1], rows[at + 2], rows[at - 1]]) {
      if (at < 0 || !suspect || this.ahead.has(suspect.event_id) || this.asked) continue;
      const [start, stop] = closeView(suspect);
      const margin = (stop - start) * MARGIN;
      const signal = new AbortController().signal;
      const view = await this.state.source.view(start - margin, stop + margin, this.pixels(), true, signal).catch(() => null);
      if (view) this.ahead.set(suspect.event_id, view);
    }
    for (const event of [...this.ahead.keys()].slice(0, -KEPT_AHEAD)) this.ahead.delete(event);
  }

  private pixels(): number {
    return Math.round(this.plot.over.clientWidth * (1 + 2 * MARGIN)) || 900;
  }

  /** The whole window that mining proposes, with the neighbours in firing order. */
  goToWindow(): void {
    const suspect = this.state.selected;
    if (suspect) this.setView(suspect.window_start_s, suspect.window_end_s);
  }

  goToAll(): void {
    this.setView(0, this.state.opened.recording.duration_s);
  }

  refit(): void {
    if (this.shown) this.lanes.fit(this.shown.values, true);
    this.render();
  }

  private async fetchUsual(suspect: Suspect): Promise<void> {
    const usual = await this.state.source.usual(suspect.cylinder, suspect.event.engine_rpm).catch(() => null);
    if (this.state.selected?.event_id !== suspect.event_id) return;
    this.scene.usual = usual;
    this.render();
    this.describe();
  }

  /** Ask for the view; while an answer is on its way only the newest wish is kept. */
  private ask(): void {
    if (this.asked) {
      this.waiting = true;
      return;
    }
    void this.fetch(true);
  }

  private async fetch(quick: boolean): Promise<void> {
    const [start, stop] = this.state.view;
    const margin = (stop - start) * MARGIN;
    this.asked = new AbortController();
    let again = false;
    try {
      const view = await this.state.source.view(start - margin, stop + margin, this.pixels(), quick, this.asked.signal);
      this.take(view);
      again = !view.exact;
    } catch (error) {
      this.state.say(error instanceof Error ? error.message : String(error));
    }
    this.asked = null;
    if (this.waiting) {
      this.waiting = false;
      void this.fetch(true);
    } else if (again) void this.fetch(false);
    else if (!this.state.source.frozen) void this.readAhead();
  }

  private take(view: View): void {
    this.shown = view;
    this.scene.events = view.events;
    this.state.events = view.events ?? [];
    this.lanes.fit(view.values);
    this.render();
    this.describe();
    this.root.dataset["drawn"] = String(++this.counter);
  }

  private render(): void {
    const [start, stop] = this.state.view;
    const selected = this.state.selected;
    const near = selected && selected.time_s >= start - (stop - start) && selected.time_s <= stop + (stop - start);
    this.scene.zero = this.isFar() ? 0 : near ? selected.time_s : start;
    this.plot.batch(() => {
      this.plot.setData(this.aligned(this.shown), false);
      this.plot.setScale("x", { min: start - this.scene.zero, max: stop - this.scene.zero });
      for (const lead of this.state.leads) {
        const [min, max] = this.lanes.limits(lead.index);
        this.plot.setScale(this.lanes.scaleName(lead.index), { min, max });
      }
    });
    this.marks.draw();
  }

  private describe(): void {
    const view = this.shown;
    if (!view) return;
    const [start, stop] = this.state.view;
    const rate = this.state.opened.recording.rate_hz;
    const kind = !view.time_s.length ? "nothing kept here" : view.step === 1 ? "true samples" : `smallest and largest of each ${duration(view.step / rate, 3)}`;
    const usual = this.scene.usual;
    const band = this.isFar() ? "" : usual?.found
      ? ` · dashed: usual pulse (median of ${usual.n_events} healthy events at ${digits(usual.rpm_low, 3)}–${digits(usual.rpm_high, 3)} rpm, grey 5–95 %)`
      : this.state.selected ? " · no usual pulse kept" : "";
    const zero = this.isFar() ? "" : ` · 0 = ${clock(this.scene.zero, 6)}`;
    this.status.textContent = `${duration(stop - start, 3)} · ${kind}${view.partial && !this.state.source.frozen ? " (the recording is missing)" : ""}${zero}${band}`;
  }
}

/** The suspect's pulse with room around it. */
function closeView(suspect: Suspect): [number, number] {
  const length = Math.max(pulseEnd(suspect.event), 0.0005);
  return [suspect.time_s - 0.35 * length, suspect.time_s + 1.5 * length];
}

/** uPlot breaks a line at null, not at NaN. */
function nullify(values: Float32Array): Float32Array | (number | null)[] {
  return values.some(Number.isNaN) ? Array.from(values, (v) => (Number.isNaN(v) ? null : v)) : values;
}
