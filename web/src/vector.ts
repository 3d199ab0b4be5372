/** A picture as SVG: the same axes, curves, bands and words as on the page, in the colours of paper. */

import type { Desk, Picture, Shown } from "./desk";
import { differenceOf } from "./difference";
import { LAID_DASH, ink, laid, strokeOf, wayColour, type Stroke } from "./ink";
import { bandColour, bandsOf, chains, image, levelLine, mapAxes, yLabel, yTicks, type Frame } from "./map";
import type { Axis, Panel } from "./messages";
import type { Look } from "./panels";
import { angleTicks, isLabelled, isWrap, linearTicks, logTicks, tickLabel, trim } from "./scale";
import { W } from "./words";

const WIDTH = 760;
const PANEL = 150;
const LEFT = 56;
const RIGHT = 24;

interface Sheet {
  parts: string[];
  y: number;
}

export function vector(shown: Shown, look: Look, desk: Desk): { text: string; width: number; height: number } {
  const current = shown.current!;
  const sheet: Sheet = { parts: [], y: 26 };
  text(sheet, 16, sheet.y, current.head.title, "title");
  sheet.y += 18;
  text(sheet, 16, sheet.y, stampOf(current, shown, look, desk), "small");
  sheet.y += 14;
  if (current.head.family === "map") map(sheet, shown, look);
  else panels(sheet, shown, look);
  for (const line of wrap(current.head.caption, 118)) {
    sheet.y += 14;
    text(sheet, 16, sheet.y, line, "small");
  }
  const height = sheet.y + 16;
  const style = `text{font:11px system-ui,sans-serif;fill:${ink("ink")}}.title{font:italic 17px Georgia,serif}.small{font-size:10.5px;fill:${ink("soft")}}`;
  return {
    text: `<svg xmlns="http://www.w3.org/2000/svg" width="${WIDTH}" height="${height}" viewBox="0 0 ${WIDTH} ${height}"><style>${style}</style><rect width="${WIDTH}" height="${height}" fill="${ink("paper")}"/>${sheet.parts.join("")}</svg>`,
    width: WIDTH,
    height,
  };
}

function stampOf(current: Picture, shown: Shown, look: Look, desk: Desk): string {
  const laidOver = [...shown.pinned.keys()].sort((a, b) => a - b).join(", ");
  const parts = [desk.state?.design ?? "", W.answer.current(current.head.revision)];
  if (current.head.provisional) parts.push(W.answer.provisional, current.head.provisional.words);
  if (look.less !== null) parts.push(W.answer.difference(look.less));
  else if (laidOver) parts.push(W.answer.laid(laidOver));
  return parts.filter(Boolean).join(" · ");
}

function panels(sheet: Sheet, shown: Shown, look: Look): void {
  const all = [shown.current!, ...[...shown.pinned.values()].sort((a, b) => a.head.revision - b.head.revision)];
  const base = look.less === null ? undefined : all.find((p) => p.head.revision === look.less);
  const list = base ? all.filter((p) => p !== base).map((p) => differenceOf(p, base)) : all;
  const axis = list[0]!.head.x!;
  legend(sheet, list[0]!, look);
  const visible = (list[0]!.head.panels ?? []).filter((p) => !look.hidden.has(p.key));
  visible.forEach((panel, i) => onePanel(sheet, panel, list, axis, look, i === visible.length - 1));
}

function legend(sheet: Sheet, picture: Picture, look: Look): void {
  let x = 16;
  const seen = new Set<string>();
  for (const panel of picture.head.panels ?? []) {
    if (look.hidden.has(panel.key)) continue;
    panel.series.forEach((s, i) => {
      if (seen.has(s.label)) return;
      seen.add(s.label);
      if (x > WIDTH - 150) [x, sheet.y] = [16, sheet.y + 15];
      path(sheet, `M${x} ${sheet.y + 4}h24`, strokeOf(s.role, s.way, i));
      text(sheet, x + 30, sheet.y + 8, s.label);
      x += 44 + s.label.length * 6;
    });
  }
  sheet.y += 16;
}

function onePanel(sheet: Sheet, panel: Panel, list: Picture[], axis: Axis, look: Look, isLast: boolean): void {
  const frame: Frame = { left: LEFT, top: sheet.y + 16, width: WIDTH - LEFT - RIGHT, height: PANEL * Math.max(0.6, Math.min(panel.height || 1, 1.8)) };
  const log = axis.kind === "log";
  const [low, high] = limits(panel, list, look);
  const px = (v: number) => frame.left + (log ? Math.log(v / axis.min) / Math.log(axis.max / axis.min) : (v - axis.min) / (axis.max - axis.min)) * frame.width;
  const py = (v: number) => frame.top + (1 - (v - low) / (high - low)) * frame.height;
  text(sheet, 16, sheet.y + 10, `${panel.label}${panel.unit ? `, ${panel.unit}` : ""}`, "small");
  const clip = `c${sheet.parts.length}`;
  sheet.parts.push(`<clipPath id="${clip}"><rect x="${frame.left}" y="${frame.top}" width="${frame.width}" height="${frame.height}"/></clipPath>`);
  const grid: Stroke = { colour: ink("hair"), width: 0.7, dash: [] };
  for (const tick of log ? logTicks(axis.min, axis.max) : linearTicks(axis.min, axis.max, 10)) {
    path(sheet, `M${px(tick).toFixed(1)} ${frame.top}v${frame.height}`, grid);
    if (isLast && (!log || isLabelled(tick))) text(sheet, px(tick), frame.top + frame.height + 15, tickLabel(tick), "", "middle");
  }
  const most = frame.height / 26;
  for (const tick of panel.unit === "°" ? angleTicks(low, high, most) : linearTicks(low, high, most)) {
    path(sheet, `M${frame.left} ${py(tick).toFixed(1)}h${frame.width}`, grid);
    text(sheet, frame.left - 6, py(tick) + 4, tickLabel(tick), "", "end");
  }
  sheet.parts.push(`<g clip-path="url(#${clip})">`);
  for (const band of look.less === null ? panel.bands : []) {
    const [x, a, b] = [list[0]!.arrays.get(band.x)!, list[0]!.arrays.get(band.low)!, list[0]!.arrays.get(band.high)!];
    const known = Array.from(x.keys()).filter((i) => Number.isFinite(a[i]!) && Number.isFinite(b[i]!));
    const d = [...known.map((i) => [px(x[i]!), py(b[i]!)]), ...known.reverse().map((i) => [px(x[i]!), py(a[i]!)])].map(([u, v], i) => `${i ? "L" : "M"}${u!.toFixed(1)} ${v!.toFixed(1)}`).join("");
    if (d) sheet.parts.push(`<path d="${d}Z" fill="${ink(band.role === "mismatch" ? "way-1" : band.role === "limit" ? "accent" : "soft")}" fill-opacity="0.25"/>`);
  }
  for (const line of panel.lines) path(sheet, `M${frame.left} ${py(line.y).toFixed(1)}h${frame.width}`, { colour: ink("soft"), width: 1, dash: [4, 3] });
  for (const mark of panel.marks) path(sheet, `M${px(mark.x).toFixed(1)} ${frame.top}v${frame.height}`, { colour: mark.way === null ? ink("soft") : wayColour(mark.way), width: 1, dash: [1, 3] });
  list.forEach((picture, place) => {
    const here = picture.head.panels?.find((p) => p.key === panel.key);
    here?.series.forEach((s, i) => {
      const style = strokeOf(s.role, s.way, i);
      const d = line(picture.arrays.get(s.x)!, picture.arrays.get(s.y)!, px, py, panel.key === "phase");
      if (d) path(sheet, d, place ? laid(style, place - 1) : style);
    });
  });
  sheet.parts.push("</g>");
  sheet.y = frame.top + frame.height + (isLast ? 20 : 4);
}

function limits(panel: Panel, list: Picture[], look: Look): [number, number] {
  if (look.less !== null || panel.min === null || panel.max === null) {
    const values = list.flatMap((p) => p.head.panels?.find((q) => q.key === panel.key)?.series.flatMap((s) => Array.from(p.arrays.get(s.y)!)) ?? []).filter(Number.isFinite);
    const most = Math.max(...values.map(Math.abs), 0.5);
    return look.less !== null ? [-most * 1.1, most * 1.1] : [Math.min(...values, 0), Math.max(...values, 1)];
  }
  const isLevel = panel.unit === "dB";
  const foot = isLevel && look.span > 0 ? panel.max - look.span : panel.min;
  const shift = isLevel ? look.shift : 0;
  return [foot + shift, panel.max + shift];
}

function line(x: ArrayLike<number>, y: ArrayLike<number>, px: (v: number) => number, py: (v: number) => number, wraps = false): string {
  let d = "";
  let pen = false;
  for (let i = 0; i < x.length; i++) {
    if (!Number.isFinite(y[i]!)) {
      pen = false;
      continue;
    }
    if (wraps && i > 0 && isWrap(y[i - 1], y[i])) pen = false;
    d += `${pen ? "L" : "M"}${px(x[i]!).toFixed(1)} ${py(y[i]!).toFixed(1)}`;
    pen = true;
  }
  return d;
}

function map(sheet: Sheet, shown: Shown, look: Look): void {
  const base = look.less === null ? undefined : shown.pinned.get(look.less);
  const picture = base ? differenceOf(shown.current!, base) : shown.current!;
  const head = picture.head;
  const frame: Frame = { left: LEFT, top: sheet.y + 4, width: WIDTH - LEFT - RIGHT - 60, height: 340 };
  const axes = mapAxes(head, null);
  const bands = bandsOf(head, look, base !== undefined);
  const url = image(picture, axes, bands, frame).toDataURL("image/png");
  sheet.parts.push(`<image x="${frame.left}" y="${frame.top}" width="${frame.width}" height="${frame.height}" href="${url}"/>`);
  const value = head.line_db ?? -6;
  if (!base) {
    [shown.current!, ...shown.pinned.values()].forEach((p, i) => {
      const d = chains(levelLine(p, axes, frame, value)).map((c) => c.map(([a, b], k) => `${k ? "L" : "M"}${a.toFixed(1)} ${b.toFixed(1)}`).join("")).join("");
      const dash = i ? (LAID_DASH[(i - 1) % LAID_DASH.length] ?? []) : [];
      path(sheet, d, { colour: "#000", width: i ? 2.4 : 3.4, dash: [] });
      path(sheet, d, { colour: "#fff", width: i ? 1.2 : 1.8, dash });
    });
  }
  for (const tick of logTicks(...axes.x).filter((v) => isLabelled(v))) text(sheet, frame.left + axes.across(tick) * frame.width, frame.top + frame.height + 15, tickLabel(tick), "", "middle");
  for (const tick of yTicks(head, axes, frame.height)) text(sheet, frame.left - 6, frame.top + (1 - axes.up(tick)) * frame.height + 4, yLabel(tick, head), "", "end");
  const count = Math.round((bands.high - bands.low) / bands.step);
  const each = frame.height / count;
  for (let i = 0; i < count; i++) {
    const foot = frame.top + frame.height - (i + 1) * each;
    sheet.parts.push(`<rect x="${frame.left + frame.width + 10}" y="${foot.toFixed(1)}" width="12" height="${(each + 0.5).toFixed(1)}" fill="rgb(${bandColour(bands.low + (i + 0.5) * bands.step, bands).join(" ")})"/>`);
    text(sheet, frame.left + frame.width + 27, foot + 5, trim(bands.low + (i + 1) * bands.step));
  }
  sheet.y = frame.top + frame.height + 22;
}

function path(sheet: Sheet, d: string, stroke: Stroke): void {
  sheet.parts.push(`<path d="${d}" fill="none" stroke="${stroke.colour}" stroke-width="${stroke.width.toFixed(2)}"${stroke.dash.length ? ` stroke-dasharray="${stroke.dash.join(" ")}"` : ""}/>`);
}

function text(sheet: Sheet, x: number, y: number, words: string, kind = "", anchor = "start"): void {
  const safe = words.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  sheet.parts.push(`<text x="${x.toFixed(1)}" y="${y.toFixed(1)}"${kind ? ` class="${kind}"` : ""}${anchor === "start" ? "" : ` text-anchor="${anchor}"`}>${safe}</text>`);
}

function wrap(words: string, width: number): string[] {
  const lines: string[] = [];
  for (const word of words.split(/\s+/)) {
    const last = lines[lines.length - 1];
    if (last !== undefined && last.length + word.length < width) lines[lines.length - 1] = `${last} ${word}`;
    else lines.push(word);
  }
  return lines;
}
