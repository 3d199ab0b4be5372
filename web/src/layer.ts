/** Curves of revisions laid over, on a canvas of their own that is kept while neither they nor the axes change. */

import type uPlot from "uplot";
import type { Stroke } from "./ink";

export interface LaidCurve {
  label: string;
  revision: number;
  stroke: Stroke;
  x: number[];
  y: (number | null | undefined)[];
}

export class LaidLayer {
  private curves: LaidCurve[] = [];
  private canvas: HTMLCanvasElement | null = null;
  private drawn = "";
  private bounds: [number, number] | null = null;

  /** The curves to draw; the same ones leave what is drawn as it is. */
  hold(curves: LaidCurve[]): void {
    const same = curves.length === this.curves.length && curves.every((c, i) => isSame(c, this.curves[i]!));
    this.curves = curves;
    if (same) return;
    this.forget();
    this.bounds = null;
  }

  forget(): void {
    this.drawn = "";
  }

  /** A range widened by these curves. */
  range(low: number | null, high: number | null): [number | null, number | null] {
    if (!this.curves.length) return [low, high];
    if (!this.bounds) {
      let [least, most] = [Infinity, -Infinity];
      for (const { y } of this.curves) {
        for (const v of y) {
          if (v === null || v === undefined) continue;
          if (v < least) least = v;
          if (v > most) most = v;
        }
      }
      this.bounds = [least, most];
    }
    const [a, b] = this.bounds;
    return a > b ? [low, high] : [Math.min(low ?? a, a), Math.max(high ?? b, b)];
  }

  draw(u: uPlot): void {
    if (!this.curves.length) return;
    const { left, top, width, height } = u.bbox;
    const [x, y] = [u.scales["x"]!, u.scales["y"]!];
    const key = [x.min, x.max, y.min, y.max, left, top, width, height, devicePixelRatio].join();
    const canvas = (this.canvas ??= document.createElement("canvas"));
    if (key !== this.drawn) {
      this.drawn = key;
      // a new size clears the canvas too
      canvas.width = Math.max(1, Math.round(width));
      canvas.height = Math.max(1, Math.round(height));
      const ctx = canvas.getContext("2d")!;
      ctx.translate(-left, -top);
      ctx.lineJoin = "bevel";
      for (const curve of this.curves) trace(ctx, u, curve);
    }
    u.ctx.drawImage(canvas, left, top);
  }
}

function isSame(a: LaidCurve, b: LaidCurve): boolean {
  return a.x === b.x && a.y === b.y && a.stroke.colour === b.stroke.colour && a.stroke.dash === b.stroke.dash && a.revision === b.revision;
}

/** One curve; of the points within one pixel only the first, the extremes and the last. */
function trace(ctx: CanvasRenderingContext2D, u: uPlot, { x, y, stroke }: LaidCurve): void {
  const dpr = devicePixelRatio || 1;
  const [least, most] = [u.scales["x"]!.min ?? -Infinity, u.scales["x"]!.max ?? Infinity];
  ctx.strokeStyle = stroke.colour;
  ctx.lineWidth = stroke.width * dpr;
  ctx.setLineDash(stroke.dash.map((v) => v * dpr));
  ctx.beginPath();
  let pen = false;
  let column = NaN;
  let [low, high, last] = [0, 0, 0];
  const flush = () => {
    if (!pen || Number.isNaN(column)) return;
    if (high - low > 0.5) {
      ctx.lineTo(column, low);
      ctx.lineTo(column, high);
    }
    ctx.lineTo(column, last);
  };
  for (let i = 0; i < x.length; i++) {
    const v = y[i];
    if (v === undefined || (x[i + 1] ?? most) < least || (x[i - 1] ?? least) > most) continue;
    if (v === null) {
      flush();
      pen = false;
      column = NaN;
      continue;
    }
    const px = Math.round(u.valToPos(x[i]!, "x", true));
    const py = u.valToPos(v, "y", true);
    if (px === column) {
      low = Math.min(low, py);
      high = Math.max(high, py);
      last = py;
      continue;
    }
    flush();
    if (pen) ctx.lineTo(px, py);
    else ctx.moveTo(px, py);
    pen = true;
    [column, low, high, last] = [px, py, py, py];
  }
  flush();
  ctx.stroke();
}
