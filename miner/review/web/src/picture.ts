// All leads over one stretch of time with what was measured on them: on the screen, and on paper.
import uPlot from "uplot";
import "uplot/dist/uPlot.min.css";
import { Annotator, type Scene } from "./annotate";
import { clock } from "./format";
import { FONT, INK, leadInk } from "./ink";
import { Lanes, scaled } from "./lanes";
import type { State } from "./state";
import type { View } from "./types";

const GUTTER = 44; // left of the strips, for the voltages
const HEAD = 26; // above them, for the slots
const FAR_S = 2; // wider views are labelled with the recording's clock, closer ones count from the suspect
const TICKS = [1, 2, 5].flatMap((s) => Array.from({ length: 13 }, (_, k) => s * 10 ** (k - 10))).sort((a, b) => a - b);
const CLOCK_TICKS = [...TICKS.filter((t) => t < 10), 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200];

export class Picture {
  readonly lanes: Lanes;
  readonly scene: Scene = { zero: 0, events: null, selected: null, usual: null };
  readonly plot: uPlot;
  span: [number, number] = [0, 1];
  private readonly annotator: Annotator;

  /** ``magnify``: how much larger lines and letters are than on the screen, for what is made smaller again on paper. */
  constructor(
    private readonly state: State,
    root: HTMLElement,
    size: { width: number; height: number },
    private readonly magnify = 1,
  ) {
    this.lanes = new Lanes(state.leads);
    this.annotator = new Annotator(this.lanes, this.scene, state.opened.typical, state.opened.map.gaps);
    this.plot = new uPlot(this.options(size), this.aligned(null), root);
  }

  private ratio(): number {
    return devicePixelRatio * this.magnify;
  }

  private options(size: { width: number; height: number }): uPlot.Options {
    const m = this.magnify;
    const scales: uPlot.Scales = { x: { time: false, auto: false } };
    for (const lead of this.state.leads) {
      scales[this.lanes.scaleName(lead.index)] = { auto: false, range: () => this.lanes.limits(lead.index) };
    }
    const series = this.state.leads.map((lead): uPlot.Series => ({
      scale: this.lanes.scaleName(lead.index), stroke: () => leadInk(lead.index), width: 1.25 * m, points: { show: false }, spanGaps: false,
    }));
    return {
      ...size,
      padding: [HEAD * m, 28 * m, 0, GUTTER * m],
      legend: { show: false },
      cursor: { show: m === 1, drag: { x: false, y: false, setScale: false }, y: false, points: { show: false } },
      scales,
      series: [{}, ...series],
      axes: [
        {
          scale: "x", stroke: () => INK.text, font: scaled(FONT, m), size: 26 * m, space: 78 * m, gap: 5 * m,
          grid: { stroke: () => INK.grid, width: m }, ticks: { stroke: () => INK.rule, width: m, size: 5 * m },
          incrs: () => (this.isFar() ? CLOCK_TICKS : TICKS),
          values: (_u, splits) => splits.map((v) => this.tickText(v, splits)),
        },
      ],
      hooks: {
        drawClear: [(u) => this.annotator.drawUnder(u, this.ratio())],
        drawAxes: [(u) => this.lanes.drawFrame(u, this.ratio())],
        draw: [(u) => this.annotator.drawOver(u, this.ratio())],
      },
    };
  }

  /** Wide enough for the recording's clock to be of more use than the time from the suspect. */
  isFar(): boolean {
    return this.span[1] - this.span[0] > FAR_S;
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

  /** Time at CSS pixels from the left edge of the strips, and back. */
  toTime(pixel: number): number {
    return this.plot.posToVal(pixel, "x") + this.scene.zero;
  }

  toPixel(time_s: number): number {
    return this.plot.valToPos(time_s - this.scene.zero, "x");
  }

  /** Draw ``view`` over [start, stop] seconds; drawn when the current task is over. */
  draw(view: View | null, [start, stop]: [number, number]): void {
    const selected = this.scene.selected;
    const near = selected && selected.time_s >= start - (stop - start) && selected.time_s <= stop + (stop - start);
    this.span = [start, stop];
    this.scene.zero = this.isFar() ? 0 : near ? selected.time_s : start;
    this.plot.batch(() => {
      this.plot.setData(this.aligned(view), false);
      this.plot.setScale("x", { min: start - this.scene.zero, max: stop - this.scene.zero });
      for (const lead of this.state.leads) {
        const [min, max] = this.lanes.limits(lead.index);
        this.plot.setScale(this.lanes.scaleName(lead.index), { min, max });
      }
    });
  }
}

/** uPlot breaks a line at null, not at NaN. */
function nullify(values: Float32Array): Float32Array | (number | null)[] {
  return values.some(Number.isNaN) ? Array.from(values, (v) => (Number.isNaN(v) ? null : v)) : values;
}
