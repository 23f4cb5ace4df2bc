// Every time the ignition fell silent: what the map says under the pointer, and a table of its own.
import { el } from "./dom";
import { clock, length } from "./format";
import { words } from "./names";
import type { State } from "./state";
import type { Silence } from "./types";

const SHOWN = 200;

/** What somebody has to look after; the others are a driver's stops and what engine computers do. */
export const isTrouble = (one: Silence): boolean => one.looks_like === "cut_out" || one.looks_like === "clip_off";

/** What fell silent at an instant, or near to it, in words; what somebody has to look after first. */
export function silenceAt(silences: Silence[], time_s: number, near_s: number): string {
  const here = silences.filter((s) => time_s >= s.start_s - near_s && time_s <= (s.stop_s ?? Infinity) + near_s);
  here.sort((a, b) => Number(isTrouble(b)) - Number(isTrouble(a)));
  return here.slice(0, 3).map((s) => `${clock(s.start_s)}: ${s.sentence}`).join("\n");
}

export function silencePart(state: State, go: (time_s: number) => void): HTMLElement | null {
  const all = state.opened.silences;
  if (!all.length) return null;
  const rows = [...all].sort((a, b) => Number(isTrouble(b)) - Number(isTrouble(a)) || a.start_s - b.start_s).slice(0, SHOWN);
  const titles = ["from", "to", "silent for", "speed before", "within", "came back", "at", "leads", "looks like"];
  const more = rows.length < all.length ? ` (${rows.length} of ${all.length.toLocaleString("en")} shown)` : "";
  return el(
    "section", { class: "told" },
    el("h2", {}, `Every time the ignition fell silent${more}`),
    el(
      "table", { class: "measures silences" },
      el("thead", {}, el("tr", {}, ...titles.map((title) => el("th", {}, title)))),
      el("tbody", {}, ...rows.map((one) => row(one, go))),
    ),
  );
}

function row(one: Silence, go: (time_s: number) => void): HTMLElement {
  const rpm = (speed: number | null) => (speed === null ? "" : `${Math.round(speed).toLocaleString("en")}\u202frpm`);
  const turns = one.turns_to_silence === null ? "" : one.turns_to_silence ? `${one.turns_to_silence.toFixed(1)} turns` : "at once";
  const cells = [
    one.stop_s === null ? "the end" : clock(one.stop_s, 2), one.stop_s === null ? "" : length(one.stop_s - one.start_s),
    rpm(one.rpm_before), turns, words(one.came_back), rpm(one.rpm_after), one.leads.join(", "),
  ];
  const place = el("button", { type: "button", class: "place", click: () => go(one.start_s) }, clock(one.start_s, 2));
  return el(
    "tr", { class: isTrouble(one) ? "deciding" : "", title: one.sentence },
    el("td", {}, place),
    ...cells.map((text) => el("td", {}, text)),
    el("td", {}, words(one.looks_like)),
  );
}
