/** Pictures and data out of the page: vector and raster pictures, CSV from the server, tables to the clipboard. */

import type { Tile } from "./card";
import type { Desk, Picture } from "./desk";
import { announce, h } from "./dom";
import type { Look } from "./panels";
import { vector } from "./vector";
import { W } from "./words";

export function saveSvg(desk: Desk, tile: Tile, look: Look): void {
  const shown = desk.pictures.get(tile.id);
  if (!shown?.current) return;
  save(nameOf(desk, tile, "svg"), new Blob([vector(shown, look, desk).text], { type: "image/svg+xml" }));
}

export async function savePng(desk: Desk, tile: Tile, look: Look): Promise<void> {
  const shown = desk.pictures.get(tile.id);
  if (!shown?.current) return;
  const { text, width, height } = vector(shown, look, desk);
  const url = URL.createObjectURL(new Blob([text], { type: "image/svg+xml" }));
  const image = new Image();
  image.src = url;
  await image.decode();
  const canvas = h("canvas", { width: width * 2, height: height * 2 });
  canvas.getContext("2d")!.drawImage(image, 0, 0, width * 2, height * 2);
  URL.revokeObjectURL(url);
  canvas.toBlob((blob) => blob && save(nameOf(desk, tile, "png"), blob), "image/png");
}

export async function saveCsv(desk: Desk, tile: Tile): Promise<void> {
  const picture = desk.pictures.get(tile.id)?.current;
  if (!picture) return;
  const frame = await desk.link.ask({ type: "export", picture: { kind: tile.kind, options: tile.options }, revision: picture.head.revision, format: "csv" });
  const bytes = frame.arrays.get("bytes");
  if (!bytes) return announce(String(frame.header["text"] ?? ""));
  save(String(frame.header["name"]), new Blob([bytes as Uint8Array<ArrayBuffer>], { type: "text/csv" }));
}

export async function copyTable(desk: Desk, tile: Tile): Promise<void> {
  const picture = desk.pictures.get(tile.id)?.current;
  if (!picture) return;
  await navigator.clipboard.writeText(tableOf(picture).map((row) => row.join("\t")).join("\n"));
  announce(W.answer.copied);
}

/** The picture's numbers as rows, the first of names with units. */
export function tableOf(picture: Picture): string[][] {
  const { head, arrays } = picture;
  if (head.family === "table") return [head.columns!.map((c) => c.label), ...head.rows!];
  const xName = `${head.x?.label ?? "x"} (${head.x?.unit ?? ""})`;
  if (head.family === "map") {
    const [x, y, level] = [arrays.get("x")!, arrays.get("y")!, arrays.get("level")!];
    const top = [xName, ...Array.from(y, (v) => `${v} ${head.y?.unit ?? ""}`)];
    return [top, ...Array.from(x, (v, i) => [String(v), ...Array.from(y, (_, j) => plain(level[j * x.length + i]!))])];
  }
  const series = (head.panels ?? []).flatMap((p) => p.series.map((s) => ({ name: `${p.label}, ${s.label} (${p.unit})`, x: s.x, y: arrays.get(s.y)! })));
  const axis = series[0]?.x ?? "frequency";
  const x = arrays.get(axis) ?? new Float32Array();
  const same = series.filter((s) => s.x === axis);
  return [[xName, ...same.map((s) => s.name)], ...Array.from(x, (v, i) => [String(v), ...same.map((s) => plain(s.y[i]!))])];
}

function plain(value: number): string {
  return Number.isFinite(value) ? String(Number(value.toPrecision(7))) : "";
}

function nameOf(desk: Desk, tile: Tile, ending: string): string {
  const revision = desk.pictures.get(tile.id)?.current?.head.revision ?? 0;
  return `${(desk.state?.design ?? "design").replace(/\.ya?ml$/, "")}-${tile.kind}-r${revision}.${ending}`;
}

function save(name: string, blob: Blob): void {
  const url = URL.createObjectURL(blob);
  const link = h("a", { href: url, download: name });
  link.click();
  window.setTimeout(() => URL.revokeObjectURL(url), 10000);
  announce(W.answer.saved(name));
}
