// What the page knows and what is chosen; parts of the page subscribe to what they show.
import type { Arrays, Decision, EventRow, Incident, Lead, Opened, Source, Suspect } from "./types";

export interface Filters {
  cylinder: string;
  kind: string;
  verdict: string;
  rate: string;
}

type Topic = "selection" | "filters" | "verdicts" | "view" | "message";

export class State {
  readonly leads: Lead[];
  readonly suspects: Suspect[];
  readonly incidents = new Map<number, Incident>();
  readonly verdicts = new Map<number, Decision>();
  filters: Filters = { cylinder: "", kind: "", verdict: "", rate: "" };
  grouped = true;
  selected: Suspect | null = null;
  view: [number, number];
  events: EventRow[] = [];
  message = "";
  revision: number;
  private readonly listeners = new Map<Topic, (() => void)[]>();

  constructor(
    readonly source: Source,
    readonly opened: Opened,
    readonly arrays: Arrays,
  ) {
    this.leads = opened.leads;
    this.suspects = opened.suspects;
    for (const incident of opened.incidents) this.incidents.set(incident.incident_id, incident);
    for (const decision of opened.verdicts) this.verdicts.set(decision.event_id, decision);
    this.revision = opened.revision;
    this.view = [0, opened.recording.duration_s];
  }

  on(topic: Topic, listener: () => void): void {
    this.listeners.set(topic, [...(this.listeners.get(topic) ?? []), listener]);
  }

  tell(topic: Topic): void {
    for (const listener of this.listeners.get(topic) ?? []) listener();
  }

  /** Suspects that pass the filters, in the order of the list. */
  listed(): Suspect[] {
    const { cylinder, kind, verdict, rate } = this.filters;
    const rows = this.suspects.filter(
      (s) =>
        (!cylinder || String(s.cylinder ?? "?") === cylinder) &&
        (!kind || s.kind === kind) &&
        (!rate || s.false_alarms_per_hour <= Number(rate)) &&
        (!verdict || (this.verdicts.get(s.event_id)?.verdict || "none") === verdict),
    );
    if (!this.grouped) return rows;
    const place = (s: Suspect) => this.incidents.get(s.incident_id ?? -1)?.best_rank ?? s.rank;
    return rows.sort((a, b) => place(a) - place(b) || a.rank - b.rank);
  }

  select(suspect: Suspect | null): void {
    this.selected = suspect;
    this.tell("selection");
  }

  /** Select the suspect so many places further down the list. */
  step(by: number): void {
    const rows = this.listed();
    const at = rows.findIndex((s) => s.event_id === this.selected?.event_id);
    const next = rows[Math.min(Math.max(at < 0 ? 0 : at + by, 0), rows.length - 1)];
    if (next) this.select(next);
  }

  setFilters(change: Partial<Filters>): void {
    this.filters = { ...this.filters, ...change };
    this.tell("filters");
  }

  say(message: string): void {
    this.message = message;
    this.tell("message");
  }

  /** Take in a decision, from this page or another; the newest counts. */
  learn(decision: Decision): void {
    const known = this.verdicts.get(decision.event_id);
    if (known && known.revision >= decision.revision) return;
    this.verdicts.set(decision.event_id, decision);
    this.tell("verdicts");
  }

  async decide(suspect: Suspect, verdict: string, note: string): Promise<void> {
    const seen = this.verdicts.get(suspect.event_id)?.revision ?? 0;
    const saved = await this.source.decide(suspect.event_id, verdict, note, seen);
    if (saved.kind === "saved") {
      this.learn(saved.decision);
      this.say("");
      return;
    }
    this.learn(saved.newest);
    const other = saved.newest.verdict || "no verdict";
    this.say(
      `Not saved: another window decided '${other}' meanwhile${saved.newest.note ? ` (“${saved.newest.note}”)` : ""}. ` +
        "It is shown now; decide again to replace it." + (note ? ` Your note was: “${note}”` : ""),
    );
  }
}
