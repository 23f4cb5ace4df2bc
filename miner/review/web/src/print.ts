// The page on paper: the leads of the worst suspects, each with its reason, made while nobody waits for anything.
import { el, replace } from "./dom";
import { clock, rate, timeOfDay } from "./format";
import { withPaperInk } from "./ink";
import { verdictSign } from "./list";
import { cylinderName, kindName, rateAssumed } from "./names";
import { Picture } from "./picture";
import type { State } from "./state";
import type { Suspect } from "./types";
import { closeView } from "./zoom";

const MOST = 12; // two on a sheet: six sheets of pictures say what there is to say
const MAGNIFY = 1.6; // dots on paper for each on the screen
const SIZE = { width: 940, height: 280 };
const IDLE_MS = 2500; // without anything asked of the page

export class Printer {
  private readonly root = el("section", { class: "sheets", "aria-label": "For print" });
  private readonly made = new Map<number, HTMLElement>();
  private picture: Picture | null = null;
  private timer = 0;
  private scrolled = 0;
  private busy: Promise<void> | null = null;

  constructor(
    private readonly state: State,
    page: HTMLElement,
  ) {
    page.append(this.root);
    for (const topic of ["view", "selection", "filters", "verdicts"] as const) state.on(topic, () => this.later());
    addEventListener("beforeprint", () => this.lay(true));
    addEventListener("afterprint", () => this.lay(false));
    this.later();
  }

  /** On paper the list comes last; on the screen it is the first that the keyboard comes to. */
  private lay(paper: boolean): void {
    const [list, review] = ["#list", ".review"].map((name) => document.querySelector<HTMLElement>(name));
    const part = list?.closest<HTMLElement>(".left");
    if (!list || !review || !part) return;
    if (paper) {
      this.scrolled = list.scrollTop;
      this.arrange();
      review.append(this.root, part);
      return;
    }
    review.after(this.root);
    review.prepend(part);
    list.scrollTop = this.scrolled;
  }

  async print(): Promise<void> {
    await this.make();
    window.print();
  }

  private later(): void {
    clearTimeout(this.timer);
    this.timer = window.setTimeout(() => void this.make(), IDLE_MS);
  }

  private wanted(): Suspect[] {
    return this.state.listed().slice(0, MOST);
  }

  private make(): Promise<void> {
    this.busy ??= this.makeAll().finally(() => (this.busy = null));
    return this.busy;
  }

  private async makeAll(): Promise<void> {
    for (const suspect of this.wanted()) {
      if (this.made.has(suspect.event_id)) continue;
      const canvas = await this.drawn(suspect).catch(() => null);
      if (canvas) this.made.set(suspect.event_id, canvas);
    }
  }

  /** One suspect's leads as a canvas of its own. */
  private async drawn(suspect: Suspect): Promise<HTMLElement> {
    const [start, stop] = closeView(suspect);
    const [view, usual] = await Promise.all([
      this.state.source.view(start, stop, SIZE.width, false, new AbortController().signal),
      this.state.source.usual(suspect.cylinder, suspect.event.engine_rpm).catch(() => null),
    ]);
    const size = { width: SIZE.width * MAGNIFY, height: SIZE.height * MAGNIFY };
    const picture = (this.picture ??= new Picture(this.state, this.workplace(), size, MAGNIFY));
    Object.assign(picture.scene, { selected: suspect, usual, events: view.events });
    picture.lanes.fit(view.values);
    await withPaperInk(() => picture.draw(view, [start, stop]));
    const from = picture.plot.ctx.canvas;
    const out = el("canvas", { role: "img", "aria-label": `Leads of suspect ${suspect.rank}`, width: from.width, height: from.height });
    out.getContext("2d")?.drawImage(from, 0, 0);
    return out;
  }

  private workplace(): HTMLElement {
    const place = el("div", { class: "offstage", "aria-hidden": "true" });
    this.root.before(place);
    return place;
  }

  /** Put the sheets in the order of the list, with today's verdicts. */
  private arrange(): void {
    const ready = this.wanted().filter((s) => this.made.has(s.event_id));
    const all = this.state.listed().length;
    const title = ready.length < all ? `Leads of the first ${ready.length} of ${all} suspects` : "Leads of the suspects";
    replace(this.root, ...(ready.length ? [el("h2", {}, title), ...ready.map((s) => this.sheet(s))] : []));
  }

  private sheet(suspect: Suspect): HTMLElement {
    const decision = this.state.verdicts.get(suspect.event_id);
    const day = timeOfDay(this.state.opened.recording.started_at, suspect.time_s);
    const facts = [`${clock(suspect.time_s, 6)}${day ? ` (${day})` : ""}`, rate(suspect.false_alarms_per_hour), verdictSign(decision?.verdict ?? ""), decision?.note ?? ""];
    const assumed = rateAssumed(suspect.kind);
    return el(
      "figure", { class: "sheet" },
      el("figcaption", {}, el("b", {}, `No. ${suspect.rank}: ${kindName(suspect.kind)}, ${cylinderName(suspect.cylinder)}`), ` · ${facts.filter(Boolean).join(" · ")}`, el("br"), `${suspect.reason}${assumed ? ` (${assumed})` : ""}`),
      this.made.get(suspect.event_id) ?? null,
    );
  }
}
