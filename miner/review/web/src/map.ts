// The map of the recording: speed, supply, states, gaps, and every suspect as a tick; click to go there.
import { picture } from "./canvas";
import { el } from "./dom";
import { clock, digits } from "./format";
import { INK, SMALL_FONT } from "./ink";
import { line, niceStep } from "./lanes";
import { words } from "./names";
import type { State } from "./state";
import { isTrouble, silenceAt } from "./silences";
import type { Suspect } from "./types";

const LEFT = 44;
const RIGHT = 48;
const TICKS_H = 16;
const STATES_H = 9;
const AXIS_H = 14;
const SILENCE_H = 5;
const NEAR = 5; // pixels within which a click means the tick

export function mapPart(state: State, go: (time_s: number) => void): HTMLElement {
  const { duration_s } = state.opened.recording;
  const rpmLow = state.arrays["map_rpm_low"] as Float32Array;
  const rpmHigh = state.arrays["map_rpm_high"] as Float32Array;
  const supply = state.arrays["map_supply_v"] as Float32Array;
  const at = (width: number, t: number) => LEFT + (t / duration_s) * (width - LEFT - RIGHT);

  const { root, redraw } = picture("map", "Map of the recording", (ctx, width, height) => {
    const top = TICKS_H;
    const bottom = height - AXIS_H - STATES_H - 3;
    ctx.font = SMALL_FONT;
    ctx.textBaseline = "middle";
    drawStates(ctx, state, (t) => at(width, t), bottom + 3);
    drawTrace(ctx, rpmLow, rpmHigh, [0, null], [LEFT, width - RIGHT, top, bottom], INK.text, []);
    axisLabels(ctx, rpmHigh, [0, null], LEFT - 5, top, bottom, "right", "rpm");
    if (supply.length) {
      drawTrace(ctx, supply, supply, [null, null], [LEFT, width - RIGHT, top, bottom], INK.supply, [4, 2]);
      axisLabels(ctx, supply, [null, null], width - RIGHT + 5, top, bottom, "left", "V");
    }
    drawGaps(ctx, state, (t) => at(width, t), top, bottom);
    drawSilences(ctx, state, (t) => at(width, t), top, bottom);
    drawTicks(ctx, state, (t) => at(width, t), bottom);
    drawAxis(ctx, duration_s, (t) => at(width, t), height - AXIS_H / 2);
    drawView(ctx, state, (t) => at(width, t), bottom);
  });
  root.tabIndex = 0;
  root.id = "map";
  root.addEventListener("click", (event) => {
    const x = event.offsetX;
    const near = state.listed().map((s): [number, Suspect] => [Math.abs(at(root.clientWidth, s.time_s) - x), s]);
    near.sort((a, b) => a[0] - b[0] || a[1].rank - b[1].rank);
    if (near[0] && near[0][0] <= NEAR) state.select(near[0][1]);
    else go(((x - LEFT) / (root.clientWidth - LEFT - RIGHT)) * duration_s);
  });
  root.addEventListener("pointermove", (event) => {
    const s_per_pixel = duration_s / (root.clientWidth - LEFT - RIGHT);
    root.title = silenceAt(state.opened.silences, (event.offsetX - LEFT) * s_per_pixel, NEAR * s_per_pixel);
  });
  for (const topic of ["view", "selection", "filters", "verdicts"] as const) state.on(topic, () => requestAnimationFrame(redraw));
  return el("figure", { class: "map-part" }, root, legend(state));
}

function legend(state: State): HTMLElement {
  const present = [...new Set(state.opened.map.states.map((s) => s[2]))];
  const items = present.map((name) => el("span", {}, el("i", { class: `swatch state-${name}` }), words(name)));
  const supply = state.opened.map.supply_name;
  return el(
    "figcaption", {},
    el("span", {}, el("i", { class: "swatch trace" }), "engine speed"),
    supply ? el("span", {}, el("i", { class: "swatch trace dashed" }), `supply (${supply})`) : null,
    ...items,
    state.opened.map.gaps.length ? el("span", {}, el("i", { class: "swatch gap" }), "gap") : null,
    ...silenceKeys(state),
    el("span", {}, el("i", { class: "swatch tick-mark" }), "suspect"),
  );
}

function silenceKeys(state: State): HTMLElement[] {
  const trouble = state.opened.silences.some(isTrouble);
  const others = state.opened.silences.some((s) => !isTrouble(s));
  return [
    ...(others ? [el("span", {}, el("i", { class: "swatch silence" }), "ignition silent")] : []),
    ...(trouble ? [el("span", {}, el("i", { class: "swatch silence trouble" }), "cut out at speed, or a clip off")] : []),
  ];
}

type Limits = [number | null, number | null];

function range(low: Float32Array, high: Float32Array, limits: Limits): [number, number] {
  let [a, b] = [Infinity, -Infinity];
  for (const v of low) if (v < a) a = v;
  for (const v of high) if (v > b) b = v;
  a = limits[0] ?? a;
  b = limits[1] ?? b;
  return b - a > 1e-6 ? [a, b + 0.05 * (b - a)] : [a - 1, a + 1];
}

function drawTrace(
  ctx: CanvasRenderingContext2D, low: Float32Array, high: Float32Array, limits: Limits,
  [left, right, top, bottom]: [number, number, number, number], ink: string, dash: number[],
): void {
  const [a, b] = range(low, high, limits);
  const y = (v: number) => bottom - ((v - a) / (b - a)) * (bottom - top);
  ctx.strokeStyle = ink;
  ctx.lineWidth = 1;
  ctx.setLineDash(dash);
  ctx.beginPath();
  let pen = false;
  for (let i = 0; i < low.length; i++) {
    const [v0, v1] = [low[i] ?? NaN, high[i] ?? NaN];
    const x = left + ((i + 0.5) / low.length) * (right - left);
    if (Number.isNaN(v0)) pen = false;
    else {
      if (pen) ctx.lineTo(x, y(v0));
      else ctx.moveTo(x, y(v0));
      if (v1 !== v0) ctx.lineTo(x, y(v1));
      pen = true;
    }
  }
  ctx.stroke();
  ctx.setLineDash([]);
}

function axisLabels(
  ctx: CanvasRenderingContext2D, high: Float32Array, limits: Limits, x: number, top: number, bottom: number,
  align: CanvasTextAlign, unit: string,
): void {
  const [a, b] = range(high, high, limits);
  const step = niceStep((b - a) / 3);
  ctx.textAlign = align;
  ctx.fillStyle = align === "left" ? INK.supply : INK.text;
  for (let v = Math.ceil(a / step) * step; v <= b; v += step) {
    ctx.fillText(digits(v, v < 100 ? 3 : 4), x, bottom - ((v - a) / (b - a)) * (bottom - top));
  }
  ctx.fillText(unit, x, TICKS_H / 2);
}

function drawStates(ctx: CanvasRenderingContext2D, state: State, x: (t: number) => number, top: number): void {
  for (const [start, stop, name] of state.opened.map.states) {
    ctx.fillStyle = INK.states[name] ?? INK.paper;
    ctx.fillRect(x(start), top, Math.max(x(stop) - x(start), 0.5), STATES_H);
  }
}

function drawGaps(ctx: CanvasRenderingContext2D, state: State, x: (t: number) => number, top: number, bottom: number): void {
  ctx.strokeStyle = INK.gap;
  ctx.lineWidth = 1;
  for (const [start, stop] of state.opened.map.gaps) {
    const [left, right] = [x(start), Math.max(x(stop), x(start) + 2)];
    ctx.strokeRect(left, top, right - left, bottom - top);
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, right - left, bottom - top);
    ctx.clip();
    for (let h = left - (bottom - top); h < right; h += 6) line(ctx, h, bottom, h + (bottom - top), top);
    ctx.restore();
  }
}

/** A mark for each silence on the floor of the traces, with a post where it began. */
function drawSilences(ctx: CanvasRenderingContext2D, state: State, x: (t: number) => number, top: number, bottom: number): void {
  for (const one of state.opened.silences) {
    const [left, right] = [x(one.start_s), x(one.stop_s ?? state.opened.recording.duration_s)];
    ctx.fillStyle = isTrouble(one) ? INK.suspect : INK.faint;
    ctx.fillRect(left, bottom - SILENCE_H, Math.max(right - left, 2), SILENCE_H);
    if (!isTrouble(one)) continue;
    ctx.globalAlpha = 0.12;
    ctx.fillRect(left, top, Math.max(right - left, 2), bottom - top - SILENCE_H);
    ctx.globalAlpha = 1;
    ctx.fillRect(left, top, 1, bottom - top);
  }
}

function drawTicks(ctx: CanvasRenderingContext2D, state: State, x: (t: number) => number, bottom: number): void {
  const listed = new Set(state.listed().map((s) => s.event_id));
  for (const suspect of [...state.suspects].reverse()) {
    const chosen = suspect.event_id === state.selected?.event_id;
    ctx.strokeStyle = listed.has(suspect.event_id) ? INK.suspect : INK.grid;
    ctx.globalAlpha = chosen || suspect.false_alarms_per_hour <= 1 ? 1 : 0.35;
    ctx.lineWidth = chosen ? 2.5 : 1;
    const at = x(suspect.time_s);
    line(ctx, at, 2, at, chosen ? bottom : TICKS_H - 3);
  }
  ctx.globalAlpha = 1;
}

function drawAxis(ctx: CanvasRenderingContext2D, duration_s: number, x: (t: number) => number, y: number): void {
  const steps = [1e-3, 0.01, 0.1, 1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21600];
  const room = (x(duration_s) - x(0)) / (ctx.measureText("00:00:00.000").width * (duration_s < 9 ? 1.3 : 1.1));
  const step = steps.find((s) => duration_s / s <= Math.min(Math.max(room, 1), 9)) ?? 43200;
  ctx.fillStyle = INK.text;
  ctx.textAlign = "center";
  for (let t = 0; t <= duration_s; t += step) ctx.fillText(clock(t, step < 1 ? 3 : 0), x(t), y);
}

function drawView(ctx: CanvasRenderingContext2D, state: State, x: (t: number) => number, bottom: number): void {
  const [start, stop] = state.view;
  const left = x(start);
  const width = Math.max(x(stop) - left, 3);
  ctx.strokeStyle = INK.text;
  ctx.lineWidth = 1.5;
  ctx.strokeRect(left - 1, TICKS_H - 1, width + 2, bottom - TICKS_H + 2);
}
