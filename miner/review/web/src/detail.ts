// The chosen suspect in words: reason, measured against usual, where it points, and the decision.
import { el, replace } from "./dom";
import { clock, measureValue, rate, timeOfDay } from "./format";
import { verdictSign } from "./list";
import { counted, cylinderName, kindMeaning, kindName, measureMeaning, measureName, qualityNames, rateAssumed, words } from "./names";
import type { State } from "./state";
import type { EventRow, Incident, Suspect } from "./types";

const MEASURES = [
  "on_time_us", "delay_us", "feedback_width_us", "amplitude_v", "feedback_amplitude_v", "rise_us", "fall_us", "interval_us",
  "timing_residual_deg", "engine_rpm", "supply_v",
] as const;

const VERDICTS: [string, string, string][] = [["fault", "F", "Fault"], ["normal", "N", "Normal"], ["unsure", "U", "Unsure"]];

export function detailPart(state: State): HTMLElement {
  const root = el("section", { class: "right", id: "detail", "aria-label": "Chosen suspect" });
  const words = el("div", { class: "words" });
  const judge = judgePart(state);
  root.append(words, judge.root);
  const draw = () => {
    const suspect = state.selected;
    judge.root.hidden = !suspect;
    replace(words, ...(suspect ? told(state, suspect) : [el("p", { class: "state" }, "Choose a suspect from the list, or click the map.")]));
    judge.draw();
  };
  state.on("selection", draw);
  state.on("verdicts", judge.draw);
  draw();
  return root;
}

function told(state: State, suspect: Suspect): HTMLElement[] {
  const incident = state.incidents.get(suspect.incident_id ?? -1);
  const day = timeOfDay(state.opened.recording.started_at, suspect.time_s);
  const assumed = rateAssumed(suspect.kind);
  const out = [
    stepButtons(state),
    el("h2", { title: kindMeaning(suspect.kind) }, `No. ${suspect.rank}: ${kindName(suspect.kind)}, ${cylinderName(suspect.cylinder)}`),
    el("p", { class: "faint" }, [`${clock(suspect.time_s, 6)} from the start`, day ? `${day} by the clock` : "", words(suspect.event.operating_state)].filter(Boolean).join(" · ")),
    el("p", { class: "reason" }, suspect.reason),
    el("p", {}, `A healthy recording like this one would show ${rate(suspect.false_alarms_per_hour)} of events at least this suspicious${assumed ? `; ${assumed}` : ""}.`),
    table(suspect),
    el("p", { class: "faint small" }, `${state.opened.scatter}.`),
  ];
  if (suspect.event.quality) out.push(el("p", { class: "warn" }, `To be trusted less: ${qualityNames(suspect.event.quality)}.`));
  if (incident) out.push(incidentPart(incident));
  return out;
}

/** For who has no keyboard. */
function stepButtons(state: State): HTMLElement {
  const step = (by: number, text: string, name: string) => el("button", { type: "button", "aria-label": name, click: () => state.step(by) }, text);
  return el("div", { class: "steps" }, step(-1, "‹ Previous", "Previous suspect"), step(1, "Next ›", "Next suspect"));
}

function table(suspect: Suspect): HTMLElement {
  const event = suspect.event;
  const rows = MEASURES.filter((name) => event[name] !== null || name === suspect.measure).map((name) => row(suspect, event, name));
  return el(
    "table", { class: "measures" },
    el("thead", {}, el("tr", {}, el("th", {}, "measure"), el("th", {}, "measured"), el("th", {}, "usual"), el("th", {}, "distance"))),
    el("tbody", {}, ...rows),
  );
}

function row(suspect: Suspect, event: EventRow, name: (typeof MEASURES)[number]): HTMLElement {
  const deciding = name === suspect.measure;
  const kept = suspect.usual_measures[name];
  const usual = deciding ? suspect.usual : (kept?.[0] ?? null);
  const sigma = deciding ? suspect.distance_sigma : (kept?.[1] ?? null);
  return el(
    "tr", { class: deciding ? "deciding" : "" },
    el("th", { scope: "row", title: measureMeaning(name) }, measureName(name)),
    el("td", {}, measureValue(name, event[name])),
    el("td", {}, usual === null ? "" : measureValue(name, usual)),
    el("td", {}, sigma === null ? "" : `${sigma.toFixed(Math.abs(sigma) < 10 ? 1 : 0).replace(/^-0\.0$/, "0.0")}\u202fσ`),
  );
}

/** An incident with all that was found out about it. */
export function incidentPart(incident: Incident, open = true): HTMLElement {
  const lines: [string, string][] = [
    ["Points to", incident.circuit],
    ["For it", incident.evidence_for],
    ["Against it", incident.evidence_against],
    ["Next test", incident.next_test],
    ["Codes a control unit may set", incident.codes.join(", ")],
  ];
  return el(
    "details", { class: "incident-detail", open },
    el("summary", {}, `Incident ${incident.incident_id}, ${incident.n_events ? counted(incident.n_events, "event") : "ignition silent at speed"}`),
    incident.n_events ? el("p", {}, incident.sentence) : null,
    el("dl", {}, ...lines.filter(([, text]) => text).flatMap(([name, text]) => [el("dt", {}, name), el("dd", {}, text)])),
  );
}

/** What was decided when the page was frozen, as words: nothing in a frozen page looks as if it could be pressed. */
function decidedPart(state: State): { root: HTMLElement; draw: () => void } {
  const text = el("p", { class: "saved" });
  const draw = () => {
    const decision = state.verdicts.get(state.selected?.event_id ?? -1);
    const when = decision ? ` (${decision.decided_at.slice(0, 10)})` : "";
    const sign = verdictSign(decision?.verdict ?? "") || "no verdict";
    replace(text, el("b", { class: `verdict ${decision?.verdict ?? ""}` }, sign), `${when}${decision?.note ? `: ${decision.note}` : ""}`);
  };
  return { root: el("div", { class: "decide" }, el("h3", {}, "Your verdict when this page was made"), text), draw };
}

function judgePart(state: State): { root: HTMLElement; draw: () => void } {
  if (state.source.frozen) return decidedPart(state);
  const note = el("textarea", { id: "note", rows: 2, maxlength: 4000, "aria-label": "Note", placeholder: "Note (M to write, Ctrl+Enter to save)" });
  const saved = el("p", { class: "saved faint", role: "status" });
  let written = false; // typed but not saved yet
  let about = -1;
  const save = (verdict: string) => {
    const suspect = state.selected;
    if (!suspect) return;
    written = false;
    state.decide(suspect, verdict, note.value).catch((error: unknown) => {
      written = true;
      state.say(`Not saved: ${error instanceof Error ? error.message : String(error)}`);
    });
  };
  const current = () => state.verdicts.get(state.selected?.event_id ?? -1);
  const buttons = VERDICTS.map(([verdict, key, name]) =>
    el(
      "button",
      { type: "button", class: `judge ${verdict}`, "data-verdict": verdict, click: () => save(current()?.verdict === verdict ? "" : verdict) },
      `${verdictSign(verdict).slice(0, 1)} ${name} `, el("kbd", {}, key),
    ),
  );
  note.addEventListener("input", () => (written = true));
  note.addEventListener("change", () => save(current()?.verdict ?? ""));
  note.addEventListener("keydown", (event) => {
    if ((event.key === "Enter" && (event.ctrlKey || event.metaKey)) || event.key === "Escape") note.blur();
  });
  const draw = () => {
    const decision = current();
    for (const button of buttons) button.setAttribute("aria-pressed", String(button.dataset["verdict"] === (decision?.verdict ?? "-")));
    const id = state.selected?.event_id ?? -1;
    if (!written || id !== about) note.value = decision?.note ?? "";
    if (id !== about) written = false;
    about = id;
    saved.textContent = decision ? `Saved ${decision.decided_at.slice(0, 16).replace("T", " ")} UTC` : "Not judged yet";
  };
  return { root: el("div", { class: "decide" }, el("h3", {}, "Your verdict"), el("div", { class: "judges" }, ...buttons), note, saved), draw };
}
