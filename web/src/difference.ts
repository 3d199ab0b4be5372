/** A picture less another revision's: what a change did to every curve. */

import type { Picture } from "./desk";
import { at } from "./scale";

const made = new WeakMap<Picture, WeakMap<Picture, Picture>>();

/** Made once for each pair. */
export function differenceOf(picture: Picture, base: Picture): Picture {
  let known = made.get(picture);
  if (!known) made.set(picture, (known = new WeakMap()));
  let found = known.get(base);
  if (!found) known.set(base, (found = picture.head.family === "map" ? mapDifference(picture, base) : curveDifference(picture, base)));
  return found;
}

function curveDifference(picture: Picture, base: Picture): Picture {
  const arrays = new Map(picture.arrays);
  const log = picture.head.x?.kind === "log";
  const panels = (picture.head.panels ?? []).map((panel) => {
    const under = base.head.panels?.find((p) => p.key === panel.key);
    const series = panel.series.filter((s) => under?.series.some((t) => t.key === s.key));
    for (const s of series) {
      const t = under!.series.find((u) => u.key === s.key)!;
      const x = picture.arrays.get(s.x)!;
      const [bx, by] = [base.arrays.get(t.x)!, base.arrays.get(t.y)!];
      arrays.set(s.y, Float32Array.from(picture.arrays.get(s.y)!, (v, i) => wrapped(v - at(bx, by, x[i]!, log), panel.key)));
    }
    return { ...panel, series, bands: [], lines: [], marks: [] };
  });
  return { head: { ...picture.head, panels }, arrays, shapes: picture.shapes };
}

function wrapped(value: number, key: string): number {
  return key === "phase" ? ((((value + 180) % 360) + 360) % 360) - 180 : value;
}

function mapDifference(picture: Picture, base: Picture): Picture {
  const [x, y] = [picture.arrays.get("x")!, picture.arrays.get("y")!];
  const [bx, by, b] = [base.arrays.get("x")!, base.arrays.get("y")!, base.arrays.get("level")!];
  const level = picture.arrays.get("level")!;
  const same = bx.length === x.length && by.length === y.length;
  const out = new Float32Array(level.length);
  for (let j = 0; j < y.length; j++) {
    const row = same ? j : nearest(by, y[j]!);
    const line = b.subarray(row * bx.length, (row + 1) * bx.length);
    for (let i = 0; i < x.length; i++) out[j * x.length + i] = level[j * x.length + i]! - (same ? line[i]! : at(bx, line, x[i]!, true));
  }
  return { head: picture.head, arrays: new Map(picture.arrays).set("level", out), shapes: picture.shapes };
}

function nearest(values: ArrayLike<number>, where: number): number {
  let best = 0;
  for (let i = 1; i < values.length; i++) if (Math.abs(values[i]! - where) < Math.abs(values[best]! - where)) best = i;
  return best;
}
