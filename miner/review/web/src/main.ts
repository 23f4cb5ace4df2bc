// The review page: one state, one list, one picture, one decision.
import "./page.css";
import { detailPart } from "./detail";
import { el, replace } from "./dom";
import { drawFigures } from "./figures";
import { digits, length, timeOfDay } from "./format";
import { frozenSource } from "./frozen";
import { commands, helpSheet, listenKeys } from "./keys";
import { listPart } from "./list";
import { liveSource } from "./live";
import { mapPart } from "./map";
import { counted, learnNames } from "./names";
import { Printer } from "./print";
import { State } from "./state";
import type { Source } from "./types";
import { Zoom } from "./zoom";

const POLL_MS = 1500;

function source(): Source {
  const frozen = document.getElementById("frozen");
  if (frozen) return frozenSource(frozen.textContent ?? "");
  const token = document.querySelector<HTMLMetaElement>("meta[name=review-token]")?.content ?? "";
  return liveSource(token);
}

function header(state: State, buttons: HTMLElement[]): HTMLElement {
  const r = state.opened.recording;
  const begun = timeOfDay(r.started_at, 0) && ` from ${(r.started_at ?? "").slice(0, 10)} ${timeOfDay(r.started_at, 0)}`;
  const facts = [
    `${length(r.duration_s)}${begun}`,
    `${digits(r.rate_hz / 1000, 3)} kS/s`,
    counted(r.n_events, "ignition event"),
    `${counted(r.n_suspects, "suspect")}, ${r.n_rare.toLocaleString("en")} of them rare (less than one false alarm an hour)`,
    state.opened.made_at ? `made ${state.opened.made_at}` : "",
  ].filter(Boolean);
  const name = r.vehicle ? `${r.vehicle} · ${r.name}` : r.name;
  document.title = name;
  return el(
    "header", {},
    el("h1", { title: name }, name),
    el("p", { class: "facts", title: facts.join(" · ") }, facts.join(" · ").replace(/ \(less.*?\)/, "")),
    el("nav", {}, ...buttons),
    el("p", { class: "caution" }, state.opened.caution),
  );
}

/** Only what went wrong is said here, over the page, so that nothing beneath it moves. */
function messagePart(state: State): HTMLElement {
  const text = el("span", {});
  const close = el("button", { type: "button", "aria-label": "Close this message", click: () => state.say("") }, "×");
  const line = el("p", { class: "message", role: "alert", hidden: true }, text, close);
  state.on("message", () => {
    line.hidden = !state.message;
    text.textContent = state.message;
  });
  return line;
}

function keepUpToDate(state: State): void {
  let lost = false;
  const poll = async () => {
    try {
      const news = await state.source.verdicts(state.revision);
      state.revision = news.revision;
      news.verdicts.forEach((decision) => state.learn(decision));
      if (lost) state.say("");
      lost = false;
    } catch (error) {
      lost = true;
      state.say(error instanceof Error ? error.message : String(error));
    }
    setTimeout(() => void poll(), POLL_MS);
  };
  setTimeout(() => void poll(), POLL_MS);
}

function build(page: HTMLElement, state: State): void {
  const picture = el("section", { class: "middle", "aria-label": "Leads" });
  const figures = el("main", { class: "figures", hidden: true, tabindex: -1 });
  const review = el("main", { class: "review" });
  let drawn = false;
  const showFigures = () => {
    figures.hidden = !figures.hidden;
    review.hidden = !figures.hidden;
    statistics.setAttribute("aria-pressed", String(!figures.hidden));
    if (!figures.hidden && !drawn) void drawFigures(state, figures, goToSilence);
    drawn = true;
    figures.focus();
  };
  const statistics = el("button", { type: "button", "aria-pressed": "false", click: showFigures }, "Statistics ", el("kbd", {}, "G"));
  const showHelp = () => help.showModal();
  const helpButton = el("button", { type: "button", click: showHelp }, "Keys ", el("kbd", {}, "?"));
  const printButton = el("button", { type: "button", click: () => print() }, "Print ", el("kbd", {}, "P"));
  const missing = [...state.opened.missing, ...state.opened.damaged_verdicts].map((text) => el("p", { class: "missing", role: "status" }, text));
  replace(page, header(state, [statistics, printButton, helpButton]), ...missing, messagePart(state), review, figures);
  const go = (time_s: number) => {
    const half = Math.min((state.view[1] - state.view[0]) / 2, 30);
    zoom.setView(time_s - half, time_s + half);
  };
  const goToSilence = (time_s: number) => {
    if (!figures.hidden) showFigures();
    zoom.setView(time_s - 1, time_s + 1);
  };
  picture.append(mapPart(state, go));
  review.append(listPart(state, goToSilence), picture, detailPart(state));
  const zoom = new Zoom(state, picture);
  const printer = new Printer(state, page);
  const print = () => void printer.print();
  const list = commands(state, zoom, { showFigures, showHelp, print });
  const help = helpSheet(list);
  page.append(help);
  listenKeys(list);
  const addressed = () => {
    const id = /^#event-(\d+)$/.exec(location.hash)?.[1];
    const suspect = state.suspects.find((s) => String(s.event_id) === id);
    if (suspect) state.select(suspect);
    return suspect !== undefined;
  };
  addEventListener("hashchange", addressed);
  if (!addressed()) {
    if (state.suspects.length) state.step(0);
    else zoom.goToAll();
  }
  if (!state.source.frozen) keepUpToDate(state);
}

async function start(): Promise<void> {
  const page = document.getElementById("page");
  if (!page) return;
  try {
    const from = source();
    const [opened, arrays] = await from.open();
    learnNames(opened.words);
    build(page, new State(from, opened, arrays));
  } catch (error) {
    const text = error instanceof Error ? error.message : String(error);
    replace(page, el("p", { class: "state error", role: "alert" }, `The findings cannot be shown: ${text}`));
  }
}

void start();
