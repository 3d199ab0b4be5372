/** Axes: places of values, the usual ticks of frequency, readable numbers. */

import { Signal } from "./dom";

/** One ruler for all pictures over frequency: where it stands, Hz, or null; `from` is the picture that moved it. */
export const ruler = new Signal<{ hz: number | null; from: unknown }>();

const DECADE = [1, 2, 3, 4, 5, 6, 7, 8, 9];

/** Where log axes have lines: 20, 30 … 100, 200 …; labels at 1, 2, 5 where there is room. */
export function logTicks(low: number, high: number): number[] {
  const found: number[] = [];
  for (let power = Math.floor(Math.log10(low)); power <= Math.ceil(Math.log10(high)); power++) {
    for (const m of DECADE) {
      const value = Number((m * 10 ** power).toPrecision(3));
      if (value >= low * 0.9999 && value <= high * 1.0001) found.push(value);
    }
  }
  return found;
}

export function isLabelled(value: number, decadePx = 200): boolean {
  const lead = Number((value / 10 ** Math.floor(Math.log10(value) + 1e-9)).toFixed(3));
  return lead === 1 || (decadePx > 50 && lead === 2) || (decadePx > 80 && lead === 5);
}

export function tickLabel(value: number): string {
  if (Math.abs(value) >= 1000) return `${trim(value / 1000)}k`;
  return trim(value);
}

export function linearTicks(low: number, high: number, most: number): number[] {
  const span = high - low;
  if (!(span > 0)) return [low];
  const rough = span / Math.max(most, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((m) => m * power).find((v) => v >= rough * 0.999) ?? 10 * power;
  const found: number[] = [];
  for (let v = Math.ceil(low / step - 1e-9) * step; v <= high + step * 1e-6; v += step) found.push(Number(v.toPrecision(10)));
  return found;
}

/** Angles step by 15, 30, 45, 60, 90. */
export function angleTicks(low: number, high: number, most: number): number[] {
  const step = [15, 30, 45, 60, 90, 180].find((v) => (high - low) / v <= most) ?? 180;
  const found: number[] = [];
  for (let v = Math.ceil(low / step) * step; v <= high; v += step) found.push(v);
  return found;
}

export function trim(value: number): string {
  return Number(value.toPrecision(4)).toString().replace("-", "−");
}

export function hertz(value: number): string {
  return value >= 1000 ? `${trim(Number((value / 1000).toPrecision(3)))} kHz` : `${trim(Number(value.toPrecision(3)))} Hz`;
}

export function reading(value: number | null | undefined, unit: string): string {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  const digits = unit === "°" || unit === "Hz" ? 0 : Math.abs(value) >= 100 ? 1 : Math.abs(value) >= 1 ? 2 : 3;
  return value.toFixed(digits).replace("-", "−");
}

/** Value of a curve at x, linear over log x or x; NaN outside. */
export function at(x: ArrayLike<number>, y: ArrayLike<number>, where: number, log: boolean): number {
  const n = x.length;
  if (n === 0 || where < x[0]! || where > x[n - 1]!) return NaN;
  let low = 0;
  let high = n - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (x[middle]! <= where) low = middle;
    else high = middle;
  }
  const f = log ? Math.log : (v: number) => v;
  const span = f(x[high]!) - f(x[low]!);
  const t = span === 0 ? 0 : (f(where) - f(x[low]!)) / span;
  if (t === 0) return y[low]!;
  if (t === 1) return y[high]!;
  return y[low]! + (y[high]! - y[low]!) * t;
}

/** True where a phase steps across ±180°: it is not drawn there. */
export function isWrap(before: number | null | undefined, after: number | null | undefined): boolean {
  return Math.abs((after ?? 0) - (before ?? 0)) > 180;
}
