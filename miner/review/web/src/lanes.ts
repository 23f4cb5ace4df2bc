// One picture, one strip per lead: each lead's own voltage scale is stretched so that it fills only its strip.
import type uPlot from "uplot";
import { FONT, INK, SMALL_FONT, leadInk } from "./ink";
import { words } from "./names";
import type { Lead } from "./types";

const LEAST_SPAN = 1;
const GAP = 0.16; // share of a strip kept free above and below

export class Lanes {
  private readonly ranges: ([number, number] | null)[];

  constructor(readonly leads: Lead[]) {
    this.ranges = leads.map((lead) => lead.range && widened(lead.range));
  }

  scaleName(lead: number): string {
    return `v${lead}`;
  }

  /** Widen the strips so that all values fit; never narrow them by themselves, so that sizes stay comparable. */
  fit(values: Map<number, Float32Array>, anew = false): void {
    this.leads.forEach((_, lead) => {
      let [low, high] = (!anew && this.ranges[lead]) || [Infinity, -Infinity];
      for (const v of values.get(lead) ?? []) {
        if (v < low) low = v;
        if (v > high) high = v;
      }
      if (low <= high) this.ranges[lead] = anew ? [low, high + 1e-6] : widened([low, high]);
    });
  }

  /** Limits of the whole picture's height on this lead's scale. */
  limits(lead: number): [number, number] {
    const [low, high] = this.ranges[lead] ?? [0, 1];
    const share = 1 / this.leads.length;
    const bottom = 1 - (lead + 1 - GAP / 2) * share;
    const top = 1 - (lead + GAP) * share;
    const perShare = (high - low) / (top - bottom);
    const min = low - bottom * perShare;
    return [min, min + perShare];
  }

  /** Top and bottom of a strip in canvas pixels. */
  strip(u: uPlot, lead: number): [number, number] {
    const height = u.bbox.height / this.leads.length;
    return [u.bbox.top + lead * height, u.bbox.top + (lead + 1) * height];
  }

  y(u: uPlot, lead: number, v: number): number {
    return u.valToPos(v, this.scaleName(lead), true);
  }

  /** Rules between the strips, voltage ticks and names. */
  drawFrame(u: uPlot, ratio: number): void {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.textBaseline = "middle";
    this.leads.forEach((lead, i) => {
      const [top, bottom] = this.strip(u, i);
      ctx.strokeStyle = INK.rule;
      ctx.lineWidth = ratio;
      line(ctx, bbox.left, bottom, bbox.left + bbox.width, bottom);
      this.drawTicks(u, i, ratio);
      ctx.fillStyle = leadInk(i);
      ctx.font = scaled(FONT, ratio, "600 ");
      ctx.textAlign = "left";
      ctx.fillText(laneTitle(lead), bbox.left + 6 * ratio, top + 9 * ratio, bbox.width - 12 * ratio);
    });
    ctx.restore();
  }

  private drawTicks(u: uPlot, lead: number, ratio: number): void {
    const { ctx, bbox } = u;
    const [low, high] = this.ranges[lead] ?? [0, 1];
    ctx.font = scaled(SMALL_FONT, ratio);
    ctx.textAlign = "right";
    const step = stepInside(low, high);
    for (let v = Math.ceil(low / step - 1e-6) * step; v <= high + step * 1e-6; v += step) {
      const y = this.y(u, lead, v);
      ctx.strokeStyle = INK.grid;
      line(ctx, bbox.left, y, bbox.left + bbox.width, y);
      ctx.fillStyle = leadInk(lead);
      const places = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
      ctx.fillText(`${(Math.abs(v) < step * 1e-6 ? 0 : v).toFixed(places)}`, bbox.left - 5 * ratio, y);
    }
  }
}

/** At least one volt high, so that a quiet lead looks quiet. */
function widened([low, high]: [number, number]): [number, number] {
  const room = Math.max(0, (LEAST_SPAN - (high - low)) / 2);
  return [low - room, high + room];
}

export function laneTitle(lead: Lead): string {
  const own = lead.cylinder === null ? "" : `, cylinder ${lead.cylinder}`;
  return `${lead.column}: ${words(lead.role)}${own} (${lead.unit})`;
}

export function niceStep(atLeast: number): number {
  const power = 10 ** Math.floor(Math.log10(atLeast));
  return ([1, 2, 5, 10].find((s) => s * power >= atLeast * 0.999) ?? 10) * power;
}

/** About three ticks between two values, and never fewer than two: with one alone there is no scale to read. */
function stepInside(low: number, high: number): number {
  const inside = (step: number) => Math.floor(high / step + 1e-6) - Math.ceil(low / step - 1e-6) + 1;
  const step = niceStep((high - low) / 3);
  return [step, niceStep(step * 0.4), niceStep(step * 0.2)].find((s) => inside(s) >= 2) ?? step;
}

export function line(ctx: CanvasRenderingContext2D, x0: number, y0: number, x1: number, y1: number): void {
  ctx.beginPath();
  ctx.moveTo(x0, y0);
  ctx.lineTo(x1, y1);
  ctx.stroke();
}

export function scaled(font: string, ratio: number, weight = ""): string {
  return weight + font.replace(/^\d+/, (size) => String(Number(size) * ratio));
}
