// The zoom: all leads around the suspect, from the whole recording to a microsecond.
import { pulseEnd } from "./annotate";
import { el } from "./dom";
import { clock, duration, measureValue } from "./format";
import { inkForPaper, onInk } from "./ink";
import { Marks } from "./marks";
import { Picture } from "./picture";
import { listenPointer } from "./pointer";
import type { State } from "./state";
import type { Suspect, View } from "./types";

const PAPER = { width: 940, height: 370 }; // fits A4 and Letter, landscape
const MARGIN = 0.25; // read beyond each side, so that a small pan shows leads at once
const KEPT_AHEAD = 8;

export class Zoom {
  readonly root = el("div", { class: "zoom", id: "zoom", tabindex: 0, role: "application", "aria-label": "Leads; arrow keys move, plus and minus zoom" });
  readonly marks: Marks;
  boxMode = false;
  private pointerAt: number | null = null; // CSS pixels from the left edge of the strips
  private readonly status = el("p", { class: "zoom-status", role: "status" });
  private readonly picture: Picture;
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
    holder.append(this.root);
    this.picture = new Picture(state, this.root, this.size());
    this.marks = new Marks(
      state,
      {
        toPixel: (t) => this.picture.toPixel(t),
        toTime: (x) => this.picture.toTime(x),
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
    this.plot.over.addEventListener("pointermove", (event) => (this.pointerAt = event.clientX - this.plot.over.getBoundingClientRect().left));
    this.plot.over.addEventListener("pointerleave", () => (this.pointerAt = null));
    onInk(() => this.plot.redraw(false));
    state.on("selection", () => this.goToSuspect());
    this.marks.draw();
  }

  private get plot(): Picture["plot"] {
    return this.picture.plot;
  }

  /** Time under the pointer; null where it is elsewhere. */
  get pointer(): number | null {
    return this.pointerAt === null ? null : this.toTime(this.pointerAt);
  }

  private size(): { width: number; height: number } {
    return { width: Math.max(this.root.clientWidth, 320), height: Math.max(this.root.clientHeight, 200) };
  }

  /** Paper has a width of its own; the picture keeps it while the page is printed. */
  private resizeFor(printing: boolean): void {
    this.printing = printing;
    inkForPaper(printing);
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

  /** Time at CSS pixels from the left edge of the strips. */
  toTime(pixel: number): number {
    return this.picture.toTime(pixel);
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
    this.picture.scene.selected = suspect;
    this.picture.scene.usual = null;
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
    if (this.shown) this.picture.lanes.fit(this.shown.values, true);
    this.render();
  }

  private async fetchUsual(suspect: Suspect): Promise<void> {
    const usual = await this.state.source.usual(suspect.cylinder, suspect.event.engine_rpm).catch(() => null);
    if (this.state.selected?.event_id !== suspect.event_id) return;
    this.picture.scene.usual = usual;
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
    this.picture.scene.events = view.events;
    this.state.events = view.events ?? [];
    this.picture.lanes.fit(view.values);
    this.render();
    this.describe();
    this.root.dataset["drawn"] = String(++this.counter);
  }

  private render(): void {
    this.picture.draw(this.shown, this.state.view);
    this.marks.draw();
  }

  private describe(): void {
    const view = this.shown;
    if (!view) return;
    const [start, stop] = this.state.view;
    const rate = this.state.opened.recording.rate_hz;
    const kind = !view.time_s.length ? "nothing kept here" : view.step === 1 ? "true samples" : `smallest and largest of each ${duration(view.step / rate, 3)}`;
    const usual = this.picture.scene.usual;
    const band = this.picture.isFar() ? "" : usual?.found
      ? ` · dashed: usual pulse (median of ${usual.n_events} healthy events at ${measureValue("engine_rpm", usual.rpm_low).replace(/\D+$/, "")}–${measureValue("engine_rpm", usual.rpm_high)}, grey 5–95 %)`
      : this.state.selected ? " · no usual pulse kept" : "";
    const zero = this.picture.isFar() ? "" : ` · 0 = ${clock(this.picture.scene.zero, 6)}`;
    this.status.textContent = `${duration(stop - start, 3)} · ${kind}${view.partial && !this.state.source.frozen ? " (the recording is missing)" : ""}${zero}${band}`;
    this.status.title = this.status.textContent;
  }
}

/** The suspect's pulse with room around it. */
export function closeView(suspect: Suspect): [number, number] {
  const length = Math.max(pulseEnd(suspect.event), 0.0005);
  return [suspect.time_s - 0.35 * length, suspect.time_s + 1.5 * length];
}
