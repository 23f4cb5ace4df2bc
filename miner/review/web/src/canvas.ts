// A canvas that follows its element's size and the screen's pixel density.
import { el } from "./dom";
import { onInk } from "./ink";

export type Draw = (ctx: CanvasRenderingContext2D, width: number, height: number) => void;

export function picture(className: string, name: string, draw: Draw): { root: HTMLCanvasElement; redraw: () => void } {
  const root = el("canvas", { class: className, role: "img", "aria-label": name });
  const redraw = () => {
    const { clientWidth: width, clientHeight: height } = root;
    if (!width || !height) return;
    const ratio = devicePixelRatio || 1;
    root.width = Math.round(width * ratio);
    root.height = Math.round(height * ratio);
    const ctx = root.getContext("2d");
    if (!ctx) return;
    ctx.scale(ratio, ratio);
    draw(ctx, width, height);
  };
  new ResizeObserver(redraw).observe(root);
  onInk(redraw);
  return { root, redraw };
}
