// Mouse, pen and finger on the picture: drag to move, shift-drag for a box, wheel to zoom.
import { el } from "./dom";

export interface Moved {
  boxMode: boolean;
  setView(start_s: number, stop_s: number): void;
  zoom(factor: number, around?: number | null): void;
  pan(share: number): void;
  goToSuspect(): void;
  toTime(pixel: number): number;
}

interface Drag {
  x: number;
  from: number;
  to: number;
  box: boolean;
}

const LEAST_BOX = 5;

export function listenPointer(over: HTMLElement, zoom: Moved): void {
  const box = el("div", { class: "box", hidden: true });
  over.append(box);
  let drag: Drag | null = null;
  const place = (event: PointerEvent) => event.clientX - over.getBoundingClientRect().left;

  const fingers = new Map<number, number>(); // where each touches, CSS pixels
  let pinch: { span: [number, number] } | null = null;

  /** Two fingers hold on to the two instants they came down on. */
  const pinched = () => {
    const [a, b] = [...fingers.values()].sort((x, y) => x - y);
    if (a === undefined || b === undefined) return;
    pinch ??= { span: [zoom.toTime(a), zoom.toTime(b)] };
    const perPixel = (pinch.span[1] - pinch.span[0]) / Math.max(b - a, 20);
    const start = pinch.span[0] - a * perPixel;
    zoom.setView(start, start + over.clientWidth * perPixel);
  };

  over.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    if (event.pointerType === "touch") fingers.set(event.pointerId, place(event));
    if (fingers.size === 2) {
      drag = null;
      pinch = null;
      return pinched();
    }
    over.setPointerCapture(event.pointerId);
    drag = { x: place(event), from: zoom.toTime(0), to: zoom.toTime(over.clientWidth), box: event.shiftKey || zoom.boxMode };
  });
  over.addEventListener("pointermove", (event) => {
    if (fingers.has(event.pointerId)) fingers.set(event.pointerId, place(event));
    if (fingers.size === 2) return pinched();
    if (!drag) return;
    const x = place(event);
    if (drag.box) {
      box.hidden = false;
      box.style.left = `${Math.min(x, drag.x)}px`;
      box.style.width = `${Math.abs(x - drag.x)}px`;
      return;
    }
    const shift = ((drag.x - x) / over.clientWidth) * (drag.to - drag.from);
    zoom.setView(drag.from + shift, drag.to + shift);
  });
  const end = (event: PointerEvent) => {
    fingers.delete(event.pointerId);
    if (drag?.box && Math.abs(place(event) - drag.x) >= LEAST_BOX) {
      const times = [zoom.toTime(drag.x), zoom.toTime(place(event))].sort((a, b) => a - b);
      zoom.setView(times[0] ?? 0, times[1] ?? 0);
    }
    drag = null;
    box.hidden = true;
  };
  over.addEventListener("pointerup", end);
  over.addEventListener("pointercancel", (event) => {
    fingers.delete(event.pointerId);
    drag = null;
    box.hidden = true;
  });
  over.addEventListener(
    "wheel",
    (event) => {
      event.preventDefault();
      if (event.shiftKey) zoom.pan(Math.sign(event.deltaY || event.deltaX) * 0.15);
      else if (Math.abs(event.deltaX) > Math.abs(event.deltaY)) zoom.pan(Math.sign(event.deltaX) * 0.1);
      else zoom.zoom(event.deltaY > 0 ? 1.35 : 1 / 1.35, zoom.toTime(event.clientX - over.getBoundingClientRect().left));
    },
    { passive: false },
  );
  over.addEventListener("dblclick", () => zoom.goToSuspect());
}
