// The mirror of packing.py: one JSON header, then the numbers as they lie in memory.
import type { Arrays, Usual, View } from "./types";

const TYPES = { f4: Float32Array, f8: Float64Array, i2: Int16Array, i4: Int32Array };

export function unpack(block: ArrayBuffer): [Record<string, unknown>, Arrays] {
  const length = new DataView(block).getUint32(0, true);
  const text = new TextDecoder().decode(new Uint8Array(block, 4, length));
  const header = JSON.parse(text) as Record<string, unknown>;
  const arrays: Arrays = {};
  for (const [name, place] of Object.entries(header["arrays"] as Record<string, [keyof typeof TYPES, number, number]>)) {
    arrays[name] = new TYPES[place[0]](block, 4 + length + place[1], place[2]);
  }
  return [header, arrays];
}

export function asView(header: Record<string, unknown>, arrays: Arrays): View {
  const values = new Map<number, Float32Array>();
  for (const [name, array] of Object.entries(arrays)) {
    if (name.startsWith("lead_")) values.set(Number(name.slice(5)), array as Float32Array);
  }
  return { ...(header as unknown as View), time_s: arrays["time_s"] as Float64Array, values };
}

export function asUsual(header: Record<string, unknown>, arrays: Arrays): Usual {
  const bands: Usual["bands"] = new Map();
  for (const lead of (header["leads"] as number[] | undefined) ?? []) {
    const pick = (name: string) => arrays[`${name}_${lead}`] as Float32Array;
    bands.set(lead, { low: pick("low"), median: pick("median"), high: pick("high") });
  }
  return { ...(header as unknown as Usual), bands };
}
