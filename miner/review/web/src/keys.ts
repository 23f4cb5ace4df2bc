// Everything by keyboard, and the sheet that says how.
import { el } from "./dom";
import type { State } from "./state";
import type { Zoom } from "./zoom";

export interface Commands {
  showFigures(): void;
  showHelp(): void;
  print(): void;
}

type Command = [keys: string[], shown: string, meaning: string, run: () => void];

export function commands(state: State, zoom: Zoom, page: Commands): Command[] {
  const mark = (i: number) => () => zoom.marks.put(i, zoom.pointer ?? middle(state) + (i - 0.5) * 0.2 * (state.view[1] - state.view[0]));
  const judge = (verdict: string) => () => document.querySelector<HTMLElement>(`.judge.${verdict}`)?.click();
  const decide: Command[] = [
    [["f"], "F", "your verdict: fault", judge("fault")],
    [["n"], "N", "your verdict: normal", judge("normal")],
    [["u"], "U", "your verdict: unsure", judge("unsure")],
    [["m"], "M", "write a note (Ctrl+Enter or Esc saves it)", () => document.getElementById("note")?.focus()],
  ];
  return [
    [["j", "ArrowDown"], "J or ↓", "next suspect", () => state.step(1)],
    [["k", "ArrowUp"], "K or ↑", "previous suspect", () => state.step(-1)],
    [["ArrowLeft"], "←", "move left (with Shift: a whole picture)", () => zoom.pan(-0.2)],
    [["ArrowRight"], "→", "move right (with Shift: a whole picture)", () => zoom.pan(0.2)],
    [["Shift+ArrowLeft"], "", "", () => zoom.pan(-1)],
    [["Shift+ArrowRight"], "", "", () => zoom.pan(1)],
    [["+", "=", "Shift++"], "+", "zoom in (also: wheel)", () => zoom.zoom(1 / 1.6, zoom.pointer)],
    [["-", "_"], "−", "zoom out", () => zoom.zoom(1.6, zoom.pointer)],
    [["s", "Home"], "S or Home", "back to the suspect's pulse", () => zoom.goToSuspect()],
    [["w"], "W", "the suspect's window with its neighbours in firing order", () => zoom.goToWindow()],
    [["h", "0"], "H or 0", "the whole recording", () => zoom.goToAll()],
    [["b"], "B", "drag draws a box to zoom into (or hold Shift while dragging)", () => toggleBox(zoom)],
    [["a"], "A", "fit the strips to what is shown", () => zoom.refit()],
    [["1"], "1", "put mark A at the pointer", mark(0)],
    [["2"], "2", "put mark B at the pointer", mark(1)],
    [["x"], "X", "take the marks away", () => zoom.marks.clear()],
    ...(state.source.frozen ? [] : decide), // a frozen page takes no verdict
    [["c"], "C", "to the filters, one after the other (Esc: back to the leads)", nextFilter],
    [["g"], "G", "pictures of the statistics, and back", () => page.showFigures()],
    [["p"], "P", "print: leads of the worst suspects, and the list", () => page.print()],
    [["?", "Shift+?"], "?", "this sheet", () => page.showHelp()],
  ];
}

const middle = (state: State) => (state.view[0] + state.view[1]) / 2;

function toggleBox(zoom: Zoom): void {
  zoom.boxMode = !zoom.boxMode;
  zoom.root.classList.toggle("boxing", zoom.boxMode);
}

/** To the first filter, or from one to the next. */
function nextFilter(): void {
  const filters = [...document.querySelectorAll<HTMLElement>(".filters select, .filters input")];
  filters[(filters.indexOf(document.activeElement as HTMLElement) + 1) % filters.length]?.focus();
}

/** Keys by which a filter is set; every other key goes to the page also while a filter has the focus. */
const SELECT_KEYS = /^(Arrow.*|Home|End|PageUp|PageDown|Enter| |Tab)$/;

export function listenKeys(list: Command[]): void {
  document.addEventListener("keydown", (event) => {
    const target = event.target as HTMLElement;
    if (event.ctrlKey || event.metaKey || event.altKey || target.matches("textarea, input[type=text]")) return;
    if (document.querySelector("dialog[open]")) return;
    if (event.key === "Escape" && target !== document.body) {
      (document.getElementById("zoom") ?? target).focus();
      return;
    }
    if (target.matches("select") && SELECT_KEYS.test(event.key)) return;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    const pressed = event.shiftKey ? `Shift+${key}` : key;
    const command = list.find(([keys]) => keys.includes(pressed)) ?? (event.shiftKey ? list.find(([keys]) => keys.includes(key) && key.length === 1) : undefined);
    if (!command) return;
    event.preventDefault();
    command[3]();
  });
}

export function helpSheet(list: Command[]): HTMLDialogElement {
  const rows = list.filter(([, shown]) => shown).map(([, shown, meaning]) => el("div", {}, el("dt", {}, el("kbd", {}, shown)), el("dd", {}, meaning)));
  const dialog = el(
    "dialog", { id: "help", "aria-label": "Keys" },
    el("h2", {}, "Keys"),
    el("dl", { class: "keys" }, ...rows),
    el("p", {}, "A mark that has the focus (Tab) moves with ← and →; Shift moves it faster, Alt by one sample. Drag moves the picture, double click goes back to the suspect."),
    el("form", { method: "dialog" }, el("button", { autofocus: true }, "Close (Esc)")),
  );
  return dialog;
}
