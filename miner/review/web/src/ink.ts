// Colours of the picture. Leads differ by place first (each has its own strip), then by ink; the inks are darkened
// from the colour-blind-safe set of Okabe and Ito (2008) so that they hold on paper.

export const LEAD_INKS = ["#8a3a6b", "#00695c", "#b34700", "#3d4a5c", "#5b3fa0", "#7a5c00"];

export const INK = {
  text: "#1d2329",
  faint: "#5c6670",
  grid: "#e4dfd3",
  rule: "#b9b2a2",
  paper: "#fffdf7",
  band: "rgba(93, 84, 62, 0.16)",
  bandEdge: "#7b7460",
  suspect: "#b00a4b",
  suspectWash: "rgba(176, 10, 75, 0.07)",
  gap: "#8d8672",
  markA: "#1d2329",
  markB: "#1d2329",
};

export const STATE_INKS: Record<string, string> = {
  cranking: "#6d6552",
  idle: "#d9d2c0",
  steady: "#b7c3c9",
  accelerating: "#8aa0ab",
  decelerating: "#cdb9c6",
  unknown: "#f1eee6",
};

export const leadInk = (index: number): string => LEAD_INKS[index % LEAD_INKS.length] ?? INK.text;

export const FONT = "12px system-ui, 'Segoe UI', sans-serif";
export const SMALL_FONT = "11px system-ui, 'Segoe UI', sans-serif";
