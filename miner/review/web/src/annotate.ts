// What was measured, drawn on the picture: slots with their cylinders, edges, on-time, delay, absent pulses, the usual.
import type uPlot from "uplot";
import { duration } from "./format";
import { INK, SMALL_FONT, leadInk } from "./ink";
import { type Lanes, line, scaled } from "./lanes";
import { cylinderName } from "./names";
import type { EventRow, Lead, Suspect, Typical, Usual } from "./types";

const MIN_LABEL = 58; // pixels between two edges for a label to fit
type Gap = [start_s: number, stop_s: number, lead: number | null];

const DEFAULT_PULSE_S = 0.003;

export interface Scene {
  zero: number; // what the picture's time axis counts from
  events: EventRow[] | null;
  selected: Suspect | null;
  usual: Usual | null;
}

export class Annotator {
  constructor(
    private readonly lanes: Lanes,
    private readonly scene: Scene,
    private readonly typical: Record<string, Typical>,
    private readonly gaps: Gap[],
  ) {}

  private x(u: uPlot, time_s: number): number {
    return u.valToPos(time_s - this.scene.zero, "x", true);
  }

  /** Beneath the leads: the suspect's place and the usual pulse. */
  drawUnder(u: uPlot, ratio: number): void {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    this.drawGaps(u, ratio);
    const event = this.scene.selected?.event;
    if (event) {
      const left = this.x(u, event.time_s);
      const right = this.x(u, event.time_s + pulseEnd(event));
      ctx.fillStyle = INK.suspectWash;
      ctx.fillRect(left - 3 * ratio, bbox.top, Math.max(right - left, 0) + 6 * ratio, bbox.height);
      if (this.scene.usual?.found) this.drawUsual(u, event, this.scene.usual, ratio);
    }
    ctx.restore();
  }

  /** Where a lead was not recorded, nothing was measured: hatched, so that it is not taken for a quiet lead. */
  private drawGaps(u: uPlot, ratio: number): void {
    const { ctx, bbox } = u;
    for (const [start, stop, lead] of this.gaps) {
      const left = Math.max(this.x(u, start), bbox.left);
      const right = Math.min(this.x(u, stop), bbox.left + bbox.width);
      if (right - left < 1) continue;
      const strip = lead === null ? [bbox.top, bbox.top + bbox.height] : this.lanes.strip(u, lead);
      const [top, bottom] = [strip[0] ?? 0, strip[1] ?? 0];
      ctx.save();
      ctx.beginPath();
      ctx.rect(left, top, right - left, bottom - top);
      ctx.clip();
      ctx.strokeStyle = INK.rule;
      ctx.lineWidth = ratio;
      for (let x = left - (bottom - top); x < right; x += 9 * ratio) line(ctx, x, bottom, x + (bottom - top), top);
      ctx.restore();
    }
  }

  private drawUsual(u: uPlot, event: EventRow, usual: Usual, ratio: number): void {
    const { ctx } = u;
    for (const [lead, band] of usual.bands) {
      const [top, bottom] = this.lanes.strip(u, lead);
      ctx.save();
      ctx.beginPath();
      ctx.rect(u.bbox.left, top, u.bbox.width, bottom - top);
      ctx.clip();
      const at = (i: number) => this.x(u, event.time_s + (usual.start_us + i * usual.step_us) * 1e-6);
      const n = band.median.length;
      ctx.fillStyle = INK.band;
      ctx.beginPath();
      for (let i = 0; i < n; i++) ctx.lineTo(at(i), this.lanes.y(u, lead, band.low[i] ?? NaN));
      for (let i = n - 1; i >= 0; i--) ctx.lineTo(at(i), this.lanes.y(u, lead, band.high[i] ?? NaN));
      ctx.fill();
      ctx.strokeStyle = INK.bandEdge;
      ctx.lineWidth = 1.5 * ratio;
      ctx.setLineDash([5 * ratio, 3 * ratio]);
      ctx.beginPath();
      for (let i = 0; i < n; i++) ctx.lineTo(at(i), this.lanes.y(u, lead, band.median[i] ?? NaN));
      ctx.stroke();
      ctx.restore();
    }
  }

  /** Above the leads: slots and measured edges. */
  drawOver(u: uPlot, ratio: number): void {
    const events = this.scene.events;
    if (!events?.length) return;
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, 0, bbox.width, bbox.top + bbox.height);
    ctx.clip();
    ctx.font = scaled(SMALL_FONT, ratio);
    const near = events.filter((event) => Math.abs(this.x(u, event.time_s) - bbox.left - bbox.width / 2) < 1.5 * bbox.width);
    const chosen = near.findIndex((event) => event.event_id === this.scene.selected?.event_id);
    for (const [i, event] of near.entries()) this.drawMeasures(u, event, i === chosen, ratio);
    this.drawSlots(u, near, chosen, ratio);
    ctx.restore();
  }

  /** The slots' tabs above the strips: the chosen one first, each other where it hides none and is not cut. */
  private drawSlots(u: uPlot, events: EventRow[], chosen: number, ratio: number): void {
    const taken: [number, number][] = [];
    const [low, high] = [u.bbox.left - ratio, u.bbox.left + u.bbox.width + ratio];
    const order = [...events.keys()].sort((a, b) => Number(b === chosen) - Number(a === chosen) || a - b);
    for (const i of order) {
      const event = events[i] as EventRow;
      const x = this.x(u, event.time_s);
      if (x < low || x > high) continue;
      const text = cylinderName(event.cylinder) + (isAbsent(event) ? ", due" : "");
      const width = u.ctx.measureText(text).width + 8 * ratio;
      const next = events[i + 1];
      const crowded = i === chosen && next !== undefined && this.x(u, next.time_s) < x + width;
      const sides: [number, number][] = [[x, x + width], [x - width, x]];
      if (crowded) sides.reverse();
      const free = sides.find(([a, b]) => a >= low && b <= high && taken.every(([c, d]) => b + 2 * ratio <= c || a >= d + 2 * ratio));
      if (!free) continue;
      taken.push(free);
      this.drawSlot(u, event, x, free, text, i === chosen, ratio);
    }
  }

  private drawSlot(u: uPlot, event: EventRow, x: number, [left, right]: [number, number], text: string, chosen: boolean, ratio: number): void {
    const { ctx, bbox } = u;
    const top = bbox.top - 19 * ratio;
    ctx.setLineDash(isAbsent(event) ? [3 * ratio, 2 * ratio] : []);
    ctx.strokeStyle = chosen ? INK.suspect : INK.faint;
    ctx.lineWidth = (chosen ? 2 : 1) * ratio;
    ctx.fillStyle = chosen ? INK.suspect : INK.paper;
    ctx.beginPath();
    ctx.rect(left, top, right - left, 15 * ratio);
    ctx.fill();
    ctx.stroke();
    line(ctx, x, top, x, bbox.top);
    ctx.setLineDash([]);
    ctx.fillStyle = chosen ? INK.onSuspect : INK.text;
    ctx.textAlign = "left";
    ctx.textBaseline = "middle";
    ctx.fillText(text, left + 4 * ratio, top + 8 * ratio);
  }

  private drawMeasures(u: uPlot, event: EventRow, chosen: boolean, ratio: number): void {
    const command = this.lanes.leads.find((l) => l.role === "command" && l.cylinder === event.cylinder);
    const feedback = this.lanes.leads.find((l) => l.role === "feedback");
    const on_us = event.command_seen === false ? (this.typical[String(event.cylinder)]?.on_time_us ?? null) : event.on_time_us;
    if (command) this.drawPulse(u, command, event.time_s, on_us, event.command_seen, "on-time", chosen, ratio);
    if (!feedback) return;
    const usual = this.typical[String(event.cylinder ?? "None")];
    const delay_us = event.delay_us ?? (command ? (usual?.delay_us ?? 0) : 0); // without a command, time is the feedback's
    const start = event.time_s + delay_us * 1e-6;
    const width_us = event.feedback_seen === false ? (usual?.feedback_width_us ?? null) : event.feedback_width_us;
    this.drawPulse(u, feedback, start, width_us, event.feedback_seen, "width", chosen, ratio);
    if (command && event.delay_us !== null) this.drawDelay(u, feedback, event.time_s, start, ratio);
  }

  /** The two edges of one pulse and their distance, or the empty place of an absent one. */
  private drawPulse(
    u: uPlot, lead: Lead, start: number, width_us: number | null, seen: boolean | null,
    name: string, chosen: boolean, ratio: number,
  ): void {
    const { ctx } = u;
    const [top, bottom] = this.lanes.strip(u, lead.index);
    const stop = start + (width_us === null ? DEFAULT_PULSE_S : width_us * 1e-6);
    const [left, right] = [this.x(u, start), this.x(u, stop)];
    ctx.strokeStyle = chosen ? INK.suspect : leadInk(lead.index);
    ctx.lineWidth = ratio;
    const [from, to] = [Math.max(left, u.bbox.left), Math.min(right, u.bbox.left + u.bbox.width)];
    if (to <= from) return;
    if (seen === false) {
      const at = this.drawDue(u, lead, left, right, chosen, ratio);
      if (to - from > MIN_LABEL * ratio || chosen) {
        label(u, `${name === "on-time" ? "command" : "feedback"} due, absent`, Math.max(left, from) + 3 * ratio, at, ratio);
      }
      return;
    }
    if (width_us === null || right - left < 14 * ratio) return;
    const y = bottom - 7 * ratio;
    ctx.setLineDash([2 * ratio, 2 * ratio]);
    line(ctx, left, top + 0.2 * (bottom - top), left, bottom);
    line(ctx, right, top + 0.2 * (bottom - top), right, bottom);
    ctx.setLineDash([]);
    line(ctx, left, y, right, y);
    arrow(ctx, left, y, 1, ratio);
    arrow(ctx, right, y, -1, ratio);
    const text = `${name} ${duration(width_us * 1e-6)}`;
    if (to - from > ctx.measureText(text).width + 4 * ratio) label(u, text, (from + to) / 2, y - 8 * ratio, ratio, "center");
  }

  /** The empty place of an absent pulse, between the lead's two levels; where its usual pulse is drawn, that shows it. */
  private drawDue(u: uPlot, lead: Lead, left: number, right: number, chosen: boolean, ratio: number): number {
    const [low, high] = (lead.range ?? [0, 1]).map((v) => this.lanes.y(u, lead.index, v)) as [number, number];
    if (!(chosen && this.scene.usual?.found && this.scene.usual.bands.has(lead.index))) {
      u.ctx.setLineDash([4 * ratio, 3 * ratio]);
      u.ctx.strokeRect(left, high, Math.max(right - left, 3 * ratio), low - high);
      u.ctx.setLineDash([]);
    }
    return (low + high) / 2;
  }

  private drawDelay(u: uPlot, feedback: Lead, from: number, to: number, ratio: number): void {
    const { ctx } = u;
    const [top, bottom] = this.lanes.strip(u, feedback.index);
    const [left, right] = [this.x(u, from), this.x(u, to)];
    if (Math.abs(right - left) < 10 * ratio) return;
    const y = top + 0.3 * (bottom - top);
    ctx.strokeStyle = INK.text;
    ctx.lineWidth = ratio;
    line(ctx, left, top, left, y + 4 * ratio);
    line(ctx, left, y, right, y);
    arrow(ctx, left, y, 1, ratio);
    arrow(ctx, right, y, -1, ratio);
    if (right - left > 24 * ratio && right > u.bbox.left && left < u.bbox.left + u.bbox.width) {
      label(u, `delay ${duration(to - from)}`, left + 4 * ratio, y - 8 * ratio, ratio);
    }
  }
}

export function isAbsent(event: EventRow): boolean {
  return event.command_seen === false || event.feedback_seen === false;
}

/** Seconds from an event's time to the end of what belongs to it. */
export function pulseEnd(event: EventRow): number {
  const feedback = (event.delay_us ?? 0) + (event.feedback_width_us ?? 0);
  return Math.max(event.on_time_us ?? 0, feedback) * 1e-6 || DEFAULT_PULSE_S;
}

function arrow(ctx: CanvasRenderingContext2D, x: number, y: number, direction: number, ratio: number): void {
  ctx.beginPath();
  ctx.moveTo(x + direction * 5 * ratio, y - 3 * ratio);
  ctx.lineTo(x, y);
  ctx.lineTo(x + direction * 5 * ratio, y + 3 * ratio);
  ctx.stroke();
}

/** Words on the picture, moved as far as they need to stand in it whole. */
function label(u: uPlot, text: string, x: number, y: number, ratio: number, align: "left" | "center" = "left"): void {
  const { ctx, bbox } = u;
  ctx.textAlign = "left";
  ctx.textBaseline = "middle";
  const width = ctx.measureText(text).width + 4 * ratio;
  const wanted = align === "center" ? x - width / 2 : x - 2 * ratio;
  const left = Math.max(Math.min(wanted, bbox.left + bbox.width - width), bbox.left);
  ctx.fillStyle = INK.label;
  ctx.fillRect(left, y - 7 * ratio, width, 14 * ratio);
  ctx.fillStyle = INK.text;
  ctx.fillText(text, left + 2 * ratio, y);
}
