// Small still pictures: points, a falling line, bars with intervals.
import { picture } from "./canvas";
import { el } from "./dom";
import { digits, length } from "./format";
import { INK, SMALL_FONT } from "./ink";
import { line, niceStep } from "./lanes";
import type { Bar, Rates } from "./types";

const COMMON = 0.02;
const BOX = { left: 52, right: 10, top: 10, bottom: 34 };

export interface Points {
  x: ArrayLike<number>;
  y: ArrayLike<number>;
  ink: () => string; // by day and by night
  size: number;
  cross?: boolean;
}

interface Scale {
  x(v: number): number;
  y(v: number): number;
}

export function figure(title: string, canvas: HTMLCanvasElement): HTMLElement {
  return el("figure", { class: "chart" }, el("figcaption", {}, title), canvas);
}

function extent(arrays: ArrayLike<number>[], pad = 0.04): [number, number] {
  let [low, high] = [Infinity, -Infinity];
  for (const array of arrays) {
    for (let i = 0; i < array.length; i++) {
      const v = array[i] ?? NaN;
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  if (!(low <= high)) return [0, 1];
  const room = (high - low || Math.abs(high) || 1) * pad;
  return [low - room, high + room];
}

function frame(
  ctx: CanvasRenderingContext2D, width: number, height: number, xs: [number, number], ys: [number, number], xName: string, yName: string,
): Scale {
  const [right, bottom] = [width - BOX.right, height - BOX.bottom];
  const scale: Scale = {
    x: (v) => BOX.left + ((v - xs[0]) / (xs[1] - xs[0])) * (right - BOX.left),
    y: (v) => bottom - ((v - ys[0]) / (ys[1] - ys[0])) * (bottom - BOX.top),
  };
  ctx.font = SMALL_FONT;
  ctx.textBaseline = "middle";
  ctx.lineWidth = 1;
  yTicks(ctx, ys, scale, right);
  ctx.textAlign = "center";
  const step = niceStep((xs[1] - xs[0]) / Math.max(width / 90, 2));
  for (let v = Math.ceil(xs[0] / step) * step; v <= xs[1]; v += step) {
    ctx.fillStyle = INK.faint;
    const text = tick(v, step);
    const room = width - ctx.measureText(text).width / 2;
    ctx.fillText(text, Math.min(scale.x(v), room), bottom + 9);
  }
  names(ctx, width, height, xName, yName);
  ctx.strokeStyle = INK.rule;
  ctx.strokeRect(BOX.left, BOX.top, right - BOX.left, bottom - BOX.top);
  return scale;
}

const tick = (v: number, step: number) => v.toFixed(Math.max(0, -Math.floor(Math.log10(step) + 1e-9)));

function yTicks(ctx: CanvasRenderingContext2D, ys: [number, number], scale: Scale, right: number): void {
  ctx.textAlign = "right";
  const step = niceStep((ys[1] - ys[0]) / 4);
  for (let v = Math.ceil(ys[0] / step) * step; v <= ys[1]; v += step) {
    ctx.strokeStyle = INK.grid;
    line(ctx, BOX.left, scale.y(v), right, scale.y(v));
    ctx.fillStyle = INK.faint;
    ctx.fillText(tick(v, step), BOX.left - 5, scale.y(v));
  }
}

function names(ctx: CanvasRenderingContext2D, width: number, height: number, xName: string, yName: string): void {
  ctx.fillStyle = INK.text;
  ctx.textAlign = "center";
  ctx.fillText(xName, (BOX.left + width - BOX.right) / 2, height - 8);
  ctx.save();
  ctx.translate(9, (BOX.top + height - BOX.bottom) / 2);
  ctx.rotate(-Math.PI / 2);
  ctx.fillText(yName, 0, 0);
  ctx.restore();
}

export function scatter(title: string, groups: Points[], xName: string, yName: string): HTMLElement {
  const { root } = picture("chart-canvas", title, (ctx, width, height) => {
    const scale = frame(ctx, width, height, extent(groups.map((g) => g.x)), extent(groups.map((g) => g.y)), xName, yName);
    for (const group of groups) drawPoints(ctx, group, scale);
  });
  return figure(title, root);
}

function drawPoints(ctx: CanvasRenderingContext2D, group: Points, scale: Scale): void {
  ctx.fillStyle = group.ink();
  ctx.strokeStyle = group.ink();
  ctx.lineWidth = 1.6;
  for (let i = 0; i < group.x.length; i++) {
    const [x, y] = [scale.x(group.x[i] ?? NaN), scale.y(group.y[i] ?? NaN)];
    if (Number.isNaN(x + y)) continue;
    if (!group.cross) {
      ctx.fillRect(x - group.size / 2, y - group.size / 2, group.size, group.size);
      continue;
    }
    line(ctx, x - group.size, y - group.size, x + group.size, y + group.size);
    line(ctx, x - group.size, y + group.size, x + group.size, y - group.size);
  }
}

/** How many events are listed up to each rate, beside how many a healthy engine is due in the hours judged. */
export function againstDue(title: string, rates: Float64Array, { hours, up_to }: Rates): HTMLElement {
  const sorted = Float64Array.from(rates).sort().filter((r) => r <= up_to);
  const { root } = picture("chart-canvas", title, (ctx, width, height) => {
    const xs: [number, number] = [LEAST_DECADE, Math.max(Math.ceil(Math.log10(Math.max(up_to, 1e-2))), LEAST_DECADE + 1)];
    const most = Math.max(sorted.length, up_to * hours, 10);
    const ys: [number, number] = [-1, Math.ceil(Math.log10(most))];
    const scale = decades(ctx, width, height, xs, ys, "false alarms an hour, at most", "events");
    const x = (r: number) => scale.x(Math.max(Math.log10(r), LEAST_DECADE));
    const y = (n: number) => scale.y(Math.max(Math.log10(n), ys[0]));
    ctx.strokeStyle = INK.faint;
    ctx.setLineDash([6, 4]);
    line(ctx, x(10 ** xs[0]), y(10 ** xs[0] * hours), x(up_to), y(up_to * hours));
    ctx.setLineDash([]);
    ctx.strokeStyle = INK.suspect;
    ctx.lineWidth = 2;
    ctx.beginPath();
    ctx.moveTo(scale.x(xs[0]), y(0.1));
    for (const [i, r] of sorted.entries()) {
      ctx.lineTo(x(r), y(Math.max(i, 0.1)));
      ctx.lineTo(x(r), y(i + 1));
    }
    ctx.lineTo(x(up_to), y(Math.max(sorted.length, 0.1)));
    ctx.stroke();
  });
  const key = el("p", { class: "key" }, el("i", { class: "swatch line-suspect" }), "listed", el("i", { class: "swatch line-due" }), `due in ${length(3600 * hours)} on a healthy engine`);
  return el("figure", { class: "chart" }, el("figcaption", {}, title), root, key);
}

const LEAST_DECADE = -3; // rarer than one in a thousand hours is all alike

/** A frame whose axes are powers of ten. */
function decades(
  ctx: CanvasRenderingContext2D, width: number, height: number, xs: [number, number], ys: [number, number], xName: string, yName: string,
): Scale {
  const [right, bottom] = [width - BOX.right - 14, height - BOX.bottom]; // half of the last label lies beyond
  const scale: Scale = {
    x: (v) => BOX.left + ((v - xs[0]) / (xs[1] - xs[0])) * (right - BOX.left),
    y: (v) => bottom - ((v - ys[0]) / (ys[1] - ys[0])) * (bottom - BOX.top),
  };
  ctx.font = SMALL_FONT;
  ctx.textBaseline = "middle";
  ctx.lineWidth = 1;
  ctx.fillStyle = INK.faint;
  ctx.strokeStyle = INK.grid;
  ctx.textAlign = "right";
  for (let d = Math.ceil(ys[0]); d <= ys[1]; d++) {
    line(ctx, BOX.left, scale.y(d), right, scale.y(d));
    ctx.fillText(decade(d), BOX.left - 5, scale.y(d));
  }
  ctx.textAlign = "center";
  for (let d = Math.ceil(xs[0]); d <= xs[1]; d++) {
    ctx.textAlign = "center";
    ctx.fillText(d === LEAST_DECADE ? `≤ ${decade(d)}` : decade(d), scale.x(d), bottom + 9);
  }
  names(ctx, width, height, xName, yName);
  ctx.strokeStyle = INK.rule;
  ctx.strokeRect(BOX.left, BOX.top, right - BOX.left, bottom - BOX.top);
  return scale;
}

const decade = (power: number) => (10 ** power).toLocaleString("en", { maximumFractionDigits: 3 });

export function bars(title: string, data: Bar[], xName: string): HTMLElement {
  const { root } = picture("chart-canvas", title, (ctx, width, height) => {
    const total = data.reduce((sum, b) => sum + b.n_events, 0);
    const common = data.filter((b) => b.n_events >= COMMON * total); // a handful of events must not set the scale
    const top = Math.max(...common.map((b) => (b.n_suspects ? b.high : 0)), 1e-3);
    const bottom = height - BOX.bottom;
    const slot = (width - BOX.left - BOX.right) / Math.max(data.length, 1);
    const y = (v: number) => bottom - (Math.min(v, top) / (top * 1.08)) * (bottom - BOX.top);
    ctx.font = SMALL_FONT;
    ctx.textBaseline = "middle";
    yTicks(ctx, [0, top * 1.08], { x: (v) => v, y }, width - BOX.right);
    names(ctx, width, height, xName, "per 1,000 events");
    data.forEach((bar, i) => drawBar(ctx, bar, BOX.left + i * slot, slot, y, bottom, i % labelEvery(slot) === 0));
  });
  const rows = data.map((b) => `${b.label}: ${b.n_suspects} of ${b.n_events}, ${digits(b.per_thousand, 3)} in 1,000`);
  root.title = rows.join("\n");
  return figure(title, root);
}

const labelEvery = (slot: number) => Math.max(1, Math.ceil(64 / slot));

function drawBar(
  ctx: CanvasRenderingContext2D, bar: Bar, left: number, slot: number, y: (v: number) => number, bottom: number, named: boolean,
): void {
  const middle = left + slot / 2;
  ctx.fillStyle = INK.bar;
  ctx.fillRect(left + slot * 0.18, y(bar.per_thousand), slot * 0.64, bottom - y(bar.per_thousand));
  ctx.strokeStyle = INK.text;
  ctx.lineWidth = 1;
  line(ctx, middle, y(bar.low), middle, y(bar.high));
  line(ctx, middle - 3, y(bar.low), middle + 3, y(bar.low));
  ctx.textAlign = "center";
  ctx.fillStyle = INK.text;
  if (bar.n_suspects) ctx.fillText(String(bar.n_suspects), middle, Math.max(y(bar.high) - 7, 7));
  if (named) ctx.fillText(bar.label, middle, bottom + 9);
}
