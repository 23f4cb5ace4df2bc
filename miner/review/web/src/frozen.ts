// Answers from what is embedded in a frozen page; connects to nothing.
import { asUsual, unpack } from "./binary";
import type { Arrays, EventRow, Figures, Opened, Source, Usual, View } from "./types";

interface Frozen {
  open: string;
  figures: string;
  windows: string[]; // the whole recording first
  usual: string[];
  events: EventRow[];
}

interface Piece {
  start_s: number;
  stop_s: number;
  view: View;
}

const MAX_EVENTS_IN_VIEW = 240;

async function inflate(text: string): Promise<[Record<string, unknown>, Arrays]> {
  const bytes = Uint8Array.from(atob(text), (c) => c.charCodeAt(0));
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return unpack(await new Response(stream).arrayBuffer());
}

interface WindowHeader {
  step: number;
  scales: Scales;
}

type Scales = Record<string, [scale: number, offset: number]>;

const MISSING = -32768;

function toVolts(counts: ArrayLike<number>, [scale, offset]: [number, number] = [1, 0]): Float32Array {
  return Float32Array.from(counts, (c) => (c === MISSING ? NaN : c * scale + offset));
}

/** Counts to volts, steps of time to times. */
function asPiece(header: WindowHeader, arrays: Arrays): Piece {
  const values = new Map<number, Float32Array>();
  for (const [name, counts] of Object.entries(arrays)) {
    if (name !== "time_s") values.set(Number(name.slice(5)), toVolts(counts, header.scales[name]));
  }
  let now = 0;
  const time_s = Float64Array.from(arrays["time_s"] ?? [], (step) => (now += step));
  const span = { start_s: time_s[0] ?? 0, stop_s: time_s[time_s.length - 1] ?? 0 };
  const view: View = { ...span, step: header.step, exact: true, partial: true, events: null, time_s, values };
  return { ...span, view };
}

/** What fills the view: true samples that fill most of it, else the finest blocks that fill it, else what fills most. */
function choose(pieces: Piece[], start_s: number, stop_s: number): Piece | undefined {
  const edge = (stop_s - start_s) / 6; // the margin that is read beyond the picture
  const [start, stop] = [start_s + edge, stop_s - edge];
  const share = (p: Piece) => (Math.min(stop, p.stop_s) - Math.max(start, p.start_s)) / (stop - start);
  const widest = (some: Piece[]) => some.reduce<Piece | undefined>((best, p) => (best && share(best) >= share(p) ? best : p), undefined);
  const samples = widest(pieces.filter((p) => p.view.step === 1 && share(p) > 0.6));
  if (samples) return samples;
  const [overview, ...windows] = pieces;
  const full = windows.filter((p) => share(p) > 0.95).sort((a, b) => a.view.step - b.view.step);
  return full[0] ?? widest(windows.filter((p) => share(p) > 0.5)) ?? overview;
}

export function frozenSource(text: string): Source {
  const frozen = JSON.parse(text) as Frozen;
  let pieces: Promise<Piece[]> | undefined;
  let cells: Promise<{ cylinder: number | null; usual: Usual }[]> | undefined;
  const readPieces = () =>
    (pieces ??= Promise.all(
      frozen.windows.map(async (w) => asPiece(...((await inflate(w)) as unknown as [WindowHeader, Arrays]))),
    ));
  const readCells = () =>
    (cells ??= Promise.all(
      frozen.usual.map(async (u) => {
        const [header, counts] = await inflate(u);
        const scales = header["scales"] as Scales;
        const arrays = Object.fromEntries(Object.entries(counts).map(([name, c]) => [name, toVolts(c, scales[name])]));
        return { cylinder: header["cylinder"] as number | null, usual: asUsual(header, arrays) };
      }),
    ));
  return {
    frozen: true,
    open: () => inflate(frozen.open) as unknown as Promise<[Opened, Arrays]>,
    async view(start_s, stop_s) {
      const piece = choose(await readPieces(), start_s, stop_s);
      const inside = frozen.events.filter((e) => e.time_s >= start_s - 0.2 && e.time_s <= stop_s);
      const events = inside.length > MAX_EVENTS_IN_VIEW || stop_s - start_s > 5 ? null : inside;
      if (piece) return { ...piece.view, events };
      const nothing = { time_s: new Float64Array(), values: new Map<number, Float32Array>() };
      return { start_s, stop_s, step: 1, exact: true, partial: true, events, ...nothing };
    },
    async usual(cylinder, rpm) {
      const mine = (await readCells()).filter((c) => c.cylinder === cylinder).map((c) => c.usual);
      const far = (u: Usual) => (rpm ? Math.abs(Math.log(Math.sqrt(u.rpm_low * u.rpm_high) / rpm)) : 0);
      mine.sort((a, b) => far(a) - far(b));
      return mine[0] ?? asUsual({ found: false }, {});
    },
    figures: () => inflate(frozen.figures) as unknown as Promise<[Figures, Arrays]>,
    decide: () => Promise.reject(new Error("This page is frozen: decide in the live review.")),
    verdicts: (since) => Promise.resolve({ verdicts: [], revision: since }),
  };
}
