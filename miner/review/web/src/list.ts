// The list of incidents and suspects with its filters, worst first.
import { el, replace } from "./dom";
import { clock, rate, rateNumber, timeOfDay } from "./format";
import { counted, cylinderName, kindMeaning, kindName } from "./names";
import type { Filters, State } from "./state";
import { incidentPart } from "./detail";
import type { Incident, Suspect } from "./types";

const SHOWN = 300;

const SIGNS: Record<string, string> = { fault: "▲ fault", normal: "○ normal", unsure: "? unsure" };

export function verdictSign(verdict: string): string {
  return SIGNS[verdict] ?? "";
}

function choice(label: string, name: keyof Filters, options: [string, string][], state: State): HTMLElement {
  const select = el("select", {
    id: `filter-${name}`,
    change: () => state.setFilters({ [name]: select.value }),
  });
  select.append(...options.map(([value, text]) => el("option", { value }, text)));
  state.on("filters", () => (select.value = state.filters[name]));
  return el("label", {}, el("span", {}, label), select);
}

function filters(state: State): HTMLElement {
  const cylinders = [...new Set(state.suspects.map((s) => String(s.cylinder ?? "?")))].sort((a, b) => Number(a) - Number(b));
  const kinds = [...new Set(state.suspects.map((s) => s.kind))].sort();
  const grouped = el("input", {
    type: "checkbox", id: "grouped", checked: true,
    change: () => {
      state.grouped = grouped.checked;
      state.tell("filters");
    },
  });
  return el(
    "form",
    { class: "filters", "aria-label": "Filters", submit: (event) => event.preventDefault() },
    choice("Cylinder", "cylinder", [["", "all"], ...cylinders.map((c): [string, string] => [c, c])], state),
    choice("Kind", "kind", [["", "all"], ...kinds.map((k): [string, string] => [k, kindName(k)])], state),
    choice(
      "Your verdict", "verdict",
      [["", "all"], ["none", "none yet"], ["fault", "fault"], ["normal", "normal"], ["unsure", "unsure"]], state,
    ),
    choice(
      "False alarms", "rate",
      [["", "any rate"], ["0.1", "up to 0.1 an hour"], ["1", "up to 1 an hour"], ["10", "up to 10 an hour"]], state,
    ),
    el("label", { class: "tick" }, grouped, el("span", {}, "by incident")),
  );
}

function row(state: State, suspect: Suspect): HTMLElement {
  const verdict = state.verdicts.get(suspect.event_id);
  const day = timeOfDay(state.opened.recording.started_at, suspect.time_s);
  const chosen = state.selected?.event_id === suspect.event_id;
  const button = el(
    "button",
    {
      type: "button", class: "suspect", "data-event": suspect.event_id, "aria-current": chosen ? "true" : "false",
      click: () => state.select(suspect),
    },
    el(
      "span", { class: "line" },
      el("b", {}, `${suspect.rank}`),
      el("span", { class: "kind", title: kindMeaning(suspect.kind) }, kindName(suspect.kind)),
      el("span", { class: "cyl" }, cylinderName(suspect.cylinder)),
    ),
    el("span", { class: "reason" }, suspect.reason),
    el(
      "span", { class: "line faint" },
      el("span", {}, clock(suspect.time_s), day ? ` · ${day}` : null),
      el("span", { class: "rate", title: `false alarms: ${rate(suspect.false_alarms_per_hour)}` }, `${rateNumber(suspect.false_alarms_per_hour)}\u202f/\u202fh`),
      el("span", { class: `verdict ${verdict?.verdict ?? ""}` }, verdictSign(verdict?.verdict ?? "")),
    ),
  );
  return el("li", {}, button);
}

function rows(state: State): HTMLElement[] {
  const out: HTMLElement[] = [];
  let incident: number | null = null;
  for (const suspect of state.listed().slice(0, SHOWN)) {
    const own = state.incidents.get(suspect.incident_id ?? -1);
    if (state.grouped && own && own.incident_id !== incident && own.n_events > 1) {
      out.push(el("li", { class: "incident" }, el("b", {}, `Incident ${own.incident_id}`), ` ${own.sentence}`));
    }
    incident = own?.incident_id ?? null;
    out.push(row(state, suspect));
  }
  return out;
}

/** Incidents that no event is in: an ignition that fell silent at speed. */
function eventless(state: State, go: (time_s: number) => void): HTMLElement[] {
  const own = [...state.incidents.values()].filter((incident) => !incident.n_events);
  const button = (incident: Incident) => el("button", { type: "button", class: "place", click: () => go(incident.start_s) }, `Show ${clock(incident.start_s)}`);
  return own.map((incident) => el("li", { class: "incident" }, el("p", {}, incident.sentence), button(incident), incidentPart(incident, false)));
}

/** Bring a row into sight by moving its list alone: where the whole page scrolls, as on a phone, the picture comes first. */
function reveal(list: HTMLElement, row: HTMLElement): void {
  const [outer, inner] = [list.getBoundingClientRect(), row.getBoundingClientRect()];
  list.scrollTop += Math.max(inner.bottom - outer.bottom, 0) + Math.min(inner.top - outer.top, 0);
}

export function listPart(state: State, go: (time_s: number) => void): HTMLElement {
  const list = el("ol", { id: "list", "aria-label": "Suspects, worst first" });
  const count = el("p", { class: "count", role: "status" });
  const draw = () => {
    const n = state.listed().length;
    const all = state.suspects.length;
    count.textContent = n > SHOWN ? `first ${SHOWN} of ${counted(n, "suspect")}` : n === all ? counted(n, "suspect") : `${n} of ${counted(all, "suspect")}`;
    const nothing = all
      ? "No suspect passes these filters. Set them to “all” to see the list again."
      : "Nothing suspicious was found. The map and the leads can still be looked at.";
    replace(list, ...eventless(state, go), ...(n ? rows(state) : [el("li", { class: "state" }, nothing)]));
    show();
  };
  const show = () => {
    for (const button of list.querySelectorAll<HTMLElement>("button.suspect")) {
      const chosen = button.dataset["event"] === String(state.selected?.event_id);
      button.setAttribute("aria-current", String(chosen));
      if (chosen) reveal(list, button);
    }
  };
  list.addEventListener("click", () => {
    const scrollsItself = list.scrollHeight > list.clientHeight;
    if (!scrollsItself) document.querySelector(".middle")?.scrollIntoView(); // on a phone the picture lies far above
  });
  state.on("filters", draw);
  state.on("verdicts", draw);
  state.on("selection", show);
  draw();
  const { too_small } = state.opened;
  return el("section", { class: "left", "aria-label": "List" }, filters(state), count, list, too_small ? el("p", { class: "count small" }, too_small) : null);
}
