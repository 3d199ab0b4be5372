/** A short piece of a curve, for legends and readings. */

import { h } from "./dom";
import type { Stroke } from "./ink";

export function sample(stroke: Stroke): HTMLElement {
  const canvas = h("canvas", { width: 44, height: 12, class: "swatch", "aria-hidden": "true" });
  const ctx = canvas.getContext("2d");
  if (!ctx) return canvas;
  ctx.scale(2, 2);
  ctx.strokeStyle = stroke.colour;
  ctx.lineWidth = stroke.width;
  ctx.setLineDash(stroke.dash);
  ctx.beginPath();
  ctx.moveTo(0, 3);
  ctx.lineTo(22, 3);
  ctx.stroke();
  return canvas;
}
