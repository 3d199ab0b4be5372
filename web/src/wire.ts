/** One message of the socket: a JSON header and the arrays it names, in one binary frame (docs/notes/workbench-protocol.md). */

export type Numbers = Float32Array | Uint32Array | Uint8Array;

export interface ArrayEntry {
  name: string;
  dtype: "f4" | "u4" | "u1";
  shape: number[];
}

export interface Frame<H = Header> {
  header: H;
  arrays: Map<string, Numbers>;
  shapes: Map<string, number[]>;
}

export interface Header {
  type: string;
  id?: number;
  re?: number;
  arrays?: ArrayEntry[];
  [member: string]: unknown;
}

const WORDS = new TextEncoder();
const READ = new TextDecoder();
const BYTES = { f4: 4, u4: 4, u1: 1 } as const;

export function encode(header: object): ArrayBuffer {
  const text = WORDS.encode(JSON.stringify(header));
  const length = Math.ceil(text.length / 4) * 4;
  const frame = new Uint8Array(4 + length).fill(32);
  new DataView(frame.buffer).setUint32(0, length, true);
  frame.set(text, 4);
  return frame.buffer;
}

export function decode(buffer: ArrayBuffer): Frame {
  const length = new DataView(buffer).getUint32(0, true);
  const header = JSON.parse(READ.decode(new Uint8Array(buffer, 4, length))) as Header;
  const arrays = new Map<string, Numbers>();
  const shapes = new Map<string, number[]>();
  let place = 4 + length;
  for (const entry of header.arrays ?? []) {
    const count = entry.shape.reduce((a, b) => a * b, 1);
    arrays.set(entry.name, view(buffer, entry.dtype, place, count));
    shapes.set(entry.name, entry.shape);
    place += Math.ceil((count * BYTES[entry.dtype]) / 4) * 4;
  }
  return { header, arrays, shapes };
}

function view(buffer: ArrayBuffer, dtype: ArrayEntry["dtype"], place: number, count: number): Numbers {
  if (dtype === "f4") return new Float32Array(buffer, place, count);
  if (dtype === "u4") return new Uint32Array(buffer, place, count);
  return new Uint8Array(buffer, place, count);
}
