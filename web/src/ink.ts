/** Colours and line styles, read from the style sheet so that light, dark and print agree. Every meaning has a line style too. */

import { Signal } from "./dom";

export interface Stroke {
  colour: string;
  width: number;
  dash: number[];
}

const NAMES = ["paper", "ink", "soft", "hair", "edge", "accent", "way-0", "way-1", "way-2", "way-3", "warn"] as const;
type InkName = (typeof NAMES)[number];

const WAY_DASH = [[9, 4], [], [3, 3], [9, 3, 2, 3]];
const FIT_DASH = [[2, 4], [7, 3], [9, 3, 2, 3]];
const CURVES: [InkName, number[], number][] = [
  ["ink", [], 2.2],
  ["way-0", [], 1.8],
  ["way-1", [8, 4], 1.8],
  ["way-2", [3, 3], 1.8],
  ["way-3", [10, 3, 2, 3], 1.8],
  ["soft", [1, 3], 1.8],
];
/** Dashes of revisions laid over the current one, in the order they were laid. */
export const LAID_DASH = [[4, 3], [1, 3], [8, 3], [6, 3, 1, 3], [2, 2], [12, 4], [1, 5], [8, 3, 1, 3, 1, 3]];

let inks: Record<InkName, string> | null = null;
export const inked = new Signal<void>();

export function ink(name: InkName): string {
  inks ??= read();
  return inks[name];
}

export function refresh(): void {
  inks = null;
  inked.say();
}

function read(): Record<InkName, string> {
  const style = getComputedStyle(document.documentElement);
  return Object.fromEntries(NAMES.map((n) => [n, style.getPropertyValue(`--${n}`).trim()])) as Record<InkName, string>;
}

export function wayColour(way: number): string {
  return ink(NAMES[6 + (way % 4)] ?? "ink");
}

/** How a series is drawn: by its role, its way and its place among the panel's free curves. */
export function strokeOf(role: string, way: number | null, place: number): Stroke {
  if (role === "sum") return { colour: ink("ink"), width: 2.2, dash: [] };
  if (role === "way" && way !== null) return { colour: wayColour(way), width: 1.8, dash: WAY_DASH[way % 4] ?? [] };
  if (role === "fit") return { colour: ink("soft"), width: 1.6, dash: FIT_DASH[place % FIT_DASH.length] ?? [] };
  if (role === "room") return { colour: ink("soft"), width: 0.8, dash: [] };
  const [name, dash, width] = CURVES[place % CURVES.length] ?? CURVES[0]!;
  return { colour: ink(name), width, dash };
}

/** The same curve of a revision laid over: its own dash, thinner. */
export function laid(stroke: Stroke, place: number): Stroke {
  return { colour: stroke.colour, width: Math.max(1, stroke.width * 0.6), dash: LAID_DASH[place % LAID_DASH.length] ?? [] };
}

/** Dark blue over grey to yellow: even in lightness, the same to all kinds of colour vision. */
const MAP_STOPS = [
  [0, 32, 77], [0, 49, 111], [57, 72, 109], [87, 93, 109], [112, 113, 115], [138, 135, 121], [165, 158, 117], [195, 183, 105], [225, 208, 85], [255, 234, 70],
];
/** Blue below, paper between, rust above: of differences. */
const DIFFERENCE_STOPS = [
  [20, 64, 124], [58, 108, 170], [126, 163, 206], [198, 213, 229], [242, 240, 234], [238, 214, 196], [220, 165, 130], [190, 105, 62], [140, 56, 14],
];

export function mapColour(share: number, difference = false): [number, number, number] {
  const stops = difference ? DIFFERENCE_STOPS : MAP_STOPS;
  const place = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
  const i = Math.min(Math.floor(place), stops.length - 2);
  const [a, b, t] = [stops[i]!, stops[i + 1]!, place - i];
  return [0, 1, 2].map((k) => Math.round(a[k]! + (b[k]! - a[k]!) * t)) as [number, number, number];
}
