// Colours of the picture, by day, by night and on paper. Leads differ by place first (each has its own strip), then by
// ink; the inks are darkened (at night: lightened) from the colour-blind-safe set of Okabe and Ito (2008).

interface Inks {
  text: string; faint: string; grid: string; rule: string; paper: string; band: string; bandEdge: string;
  suspect: string; onSuspect: string; suspectWash: string; gap: string; points: string; bar: string; label: string;
  supply: string; leads: string[]; states: Record<string, string>;
}

const DAY: Inks = {
  text: "#1d2329", faint: "#5c6670", grid: "#e4dfd3", rule: "#b9b2a2", paper: "#fffdf7",
  band: "rgba(93, 84, 62, 0.16)", bandEdge: "#7b7460", suspect: "#b00a4b", onSuspect: "#ffffff",
  suspectWash: "rgba(176, 10, 75, 0.07)", gap: "#8d8672", points: "rgba(61, 74, 92, 0.35)", bar: "#b7c3c9",
  label: "rgba(255, 253, 247, 0.86)", supply: "#8a3a6b",
  leads: ["#8a3a6b", "#00695c", "#b34700", "#3d4a5c", "#5b3fa0", "#7a5c00"],
  states: { cranking: "#6d6552", idle: "#d9d2c0", steady: "#b7c3c9", accelerating: "#8aa0ab", decelerating: "#cdb9c6", unknown: "#f1eee6" },
};

const NIGHT: Inks = {
  text: "#ece5d6", faint: "#b3aa99", grid: "#423c33", rule: "#6b6253", paper: "#2b2722",
  band: "rgba(214, 200, 170, 0.16)", bandEdge: "#a89f89", suspect: "#ff7ea6", onSuspect: "#2b0716",
  suspectWash: "rgba(255, 126, 166, 0.10)", gap: "#8d8672", points: "rgba(190, 200, 215, 0.40)", bar: "#6f7f88",
  label: "rgba(43, 39, 34, 0.86)", supply: "#d99bc0",
  leads: ["#d99bc0", "#6cc3b2", "#eda06a", "#b4c0d2", "#b9a3ee", "#d6bd6b"],
  states: { cranking: "#a79c80", idle: "#5e584b", steady: "#63727a", accelerating: "#87a2b0", decelerating: "#7d6474", unknown: "#38332c" },
};

export const INK: Inks = { ...DAY };

const night = matchMedia("(prefers-color-scheme: dark)");
const listeners: (() => void)[] = [];
let printing = false;

/** Be told when the inks changed: what is drawn on a canvas has to be drawn anew. */
export function onInk(listener: () => void): void {
  listeners.push(listener);
}

function change(): void {
  Object.assign(INK, night.matches && !printing ? NIGHT : DAY);
  for (const listener of listeners) listener();
}

/** Paper is light whatever the screen is. */
export function inkForPaper(now: boolean): void {
  printing = now;
  if (night.matches) change();
}

/** Draw with the inks of paper; what is drawn when the task is over is drawn with them too. */
export async function withPaperInk(draw: () => void): Promise<void> {
  const before = { ...INK };
  Object.assign(INK, DAY);
  draw();
  await Promise.resolve(); // behind what the drawing left to do, ahead of anything else
  await Promise.resolve();
  Object.assign(INK, before);
}

if (night.matches) Object.assign(INK, NIGHT);
night.addEventListener("change", change);

export const leadInk = (index: number): string => INK.leads[index % INK.leads.length] ?? INK.text;

export const FONT = "12px system-ui, 'Segoe UI', sans-serif";
export const SMALL_FONT = "11px system-ui, 'Segoe UI', sans-serif";
