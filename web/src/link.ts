/** The socket: opens, opens again when the server comes back, and pairs questions with answers. */

import { decode, encode, type Frame, type Header } from "./wire";

export type LinkState = "connecting" | "open" | "lost" | "refused";

/** The token of a server's start, and this page's own word to be let in by the next start. */
export interface Keys {
  token: string;
  resume: string;
}

const WAITS_MS = [200, 400, 800, 1500, 3000];

export class Link {
  state: LinkState = "connecting";
  private socket: WebSocket | null = null;
  private asked = new Map<number, { answer: (frame: Frame) => void; fail: (reason: Error) => void }>();
  private next = 1;
  private tries = 0;

  private refusals = 0;

  constructor(
    private keys: Keys,
    private hello: () => object,
    private hear: (frame: Frame) => void,
    private changed: (state: LinkState) => void,
  ) {}

  open(): void {
    // the resume word is shown only to a server that was lost and came back
    const { token, resume } = this.keys;
    const words = ["evenfield-1", ...(token ? [`token.${token}`] : []), ...(resume && (this.tries > 0 || !token) ? [`resume.${resume}`] : [])];
    const socket = new WebSocket(`ws://${location.host}/socket`, words);
    socket.binaryType = "arraybuffer";
    this.socket = socket;
    socket.onopen = () => {
      this.tries = this.refusals = 0;
      this.set("open");
      this.send(this.hello());
    };
    socket.onmessage = (event) => this.receive(event.data as ArrayBuffer);
    socket.onclose = () => this.lost();
  }

  /** False when nobody listens. */
  send(header: object): boolean {
    if (this.socket?.readyState !== WebSocket.OPEN) return false;
    this.socket.send(encode(header));
    return true;
  }

  /** The answer to one question; rejects when the connection goes first. */
  ask(header: object): Promise<Frame> {
    const id = this.next++;
    return new Promise((resolve, reject) => {
      if (!this.send({ ...header, id })) return reject(new Error("not connected"));
      this.asked.set(id, { answer: resolve, fail: reject });
    });
  }

  get backlog(): number {
    return this.socket?.bufferedAmount ?? 0;
  }

  private receive(data: ArrayBuffer): void {
    const frame = decode(data);
    const header: Header = frame.header;
    const waiting = header.re === undefined ? undefined : this.asked.get(header.re);
    if (waiting && header.re !== undefined) {
      this.asked.delete(header.re);
      waiting.answer(frame);
    }
    this.hear(frame);
  }

  private lost(): void {
    for (const { fail } of this.asked.values()) fail(new Error("not connected"));
    this.asked.clear();
    if (this.state !== "refused") this.set("lost");
    if (this.tries >= 2) void this.ask403();
    const wait = WAITS_MS[Math.min(this.tries, WAITS_MS.length - 1)] ?? 3000;
    this.tries += 1;
    window.setTimeout(() => this.open(), wait);
  }

  /** Twice a server that answers but does not let this page in: the key is of no more use. */
  private async ask403(): Promise<void> {
    const answers = await fetch(location.pathname, { method: "HEAD", cache: "no-store" }).then(() => true, () => false);
    if (this.socket?.readyState === WebSocket.OPEN) return;
    this.refusals = answers ? this.refusals + 1 : 0;
    if (this.refusals >= 2) this.set("refused");
  }

  private set(state: LinkState): void {
    if (state === this.state) return;
    this.state = state;
    this.changed(state);
  }
}
