// What kinds and measures are called, as the server tells it: one name for one thing on the page, in the terminal and
// in the workbook.
import type { Names } from "./types";

let names: Names = { kinds: {}, meanings: {}, assumed: {}, measures: {}, measure_meanings: {}, qualities: {} };

export function learnNames(told: Names): void {
  names = told;
}

/** A name of the tables in words. */
export const words = (name: string): string => name.replaceAll("_", " ");

export const kindName = (kind: string): string => names.kinds[kind] ?? words(kind);
export const kindMeaning = (kind: string): string => names.meanings[kind] ?? "";

/** What the rate of a kind rests on where it was not measured; empty for the others. */
export const rateAssumed = (kind: string): string => names.assumed[kind] ?? "";

export const measureName = (column: string): string => names.measures[column] ?? words(column);

export const measureMeaning = (column: string): string => names.measure_meanings[column] ?? "";

export const qualityNames = (quality: string): string => quality.split(",").map((one) => names.qualities[one] ?? words(one)).join(", ");

export const cylinderName = (cylinder: number | null): string => (cylinder === null ? "cyl ?" : `cyl ${cylinder}`);

/** A number with its noun in the right form. */
export const counted = (n: number, one: string, many = `${one}s`): string => `${n.toLocaleString("en")} ${n === 1 ? one : many}`;
