/** The crossover as a handle on the handover strip: pulling it moves the sections that make it. */

import type { Desk } from "./desk";
import { h } from "./dom";
import type { Crossover } from "./messages";
import type { PanelsView } from "./panels";
import { hertz } from "./scale";
import { W } from "./words";

export class CrossoverHandle {
  private knob = h("div", { class: "knob" });
  readonly element = h("div", { class: "crossover", role: "slider", tabindex: "0", "aria-orientation": "horizontal" }, this.knob);
  private crossover: Crossover | null = null;
  private begin: { hz: number; values: Map<string, number> } | null = null;
  private hz = 0;
  private timer = 0;

  constructor(
    private desk: Desk,
    private view: PanelsView,
  ) {
    this.element.addEventListener("pointerdown", (event) => this.grab(event));
    this.element.addEventListener("pointermove", (event) => this.pull(event));
    this.element.addEventListener("pointerup", () => this.drop());
    this.element.addEventListener("pointercancel", () => this.giveUp());
    this.element.addEventListener("keydown", (event) => this.key(event));
  }

  show(crossover: Crossover | undefined, range: [number, number]): void {
    this.crossover = crossover ?? null;
    this.element.hidden = !crossover;
    if (!crossover) return;
    if (!this.begin) this.hz = crossover.hz;
    this.element.setAttribute("aria-valuemin", String(range[0]));
    this.element.setAttribute("aria-valuemax", String(range[1]));
    this.element.toggleAttribute("data-fixed", this.isFixed);
    this.element.title = this.isFixed ? `${W.answer.fixed}: ${crossover.fixed ?? ""}` : "";
    this.place();
  }

  place(): void {
    const where = this.hz > 0 ? this.view.place(this.hz) : null;
    if (!where) return;
    this.element.style.left = `${where.x}px`;
    this.element.style.top = `${where.top}px`;
    this.element.style.height = `${where.bottom - where.top}px`;
    this.knob.textContent = hertz(this.hz);
    this.element.setAttribute("aria-valuenow", String(Math.round(this.hz)));
    this.element.setAttribute("aria-valuetext", hertz(this.hz));
    this.element.setAttribute("aria-label", W.answer.crossover(hertz(this.hz)));
  }

  private get isFixed(): boolean {
    return !this.crossover?.changes.length;
  }

  private start(): boolean {
    if (this.isFixed || !this.crossover) return false;
    if (this.begin) return true;
    this.begin = { hz: this.crossover.hz, values: new Map(this.crossover.changes.map(({ path, hz }) => [path, hz])) };
    return true;
  }

  private wish(hz: number): void {
    if (!this.begin) return;
    this.hz = Math.min(Math.max(hz, 20), 20000);
    const ratio = this.hz / this.begin.hz;
    this.desk.drag([...this.begin.values].map(([path, value]) => ({ path, value: Number((value * ratio).toPrecision(4)), unit: "Hz" })));
    this.place();
  }

  private grab(event: PointerEvent): void {
    if (!this.start()) return;
    event.preventDefault();
    this.element.focus();
    this.element.setPointerCapture(event.pointerId);
    this.element.toggleAttribute("data-held", true);
  }

  private pull(event: PointerEvent): void {
    if (!this.element.hasAttribute("data-held")) return;
    const hz = this.view.valueAt(event.clientX);
    if (hz !== null) this.wish(hz);
  }

  private drop(): void {
    if (!this.element.hasAttribute("data-held")) return;
    this.element.removeAttribute("data-held");
    void this.accept();
  }

  private async accept(): Promise<void> {
    window.clearTimeout(this.timer);
    this.timer = 0;
    await this.desk.accept().catch(() => null);
    this.begin = null;
  }

  private giveUp(): void {
    window.clearTimeout(this.timer);
    this.element.removeAttribute("data-held");
    this.begin = null;
    this.desk.release();
    if (this.crossover) this.hz = this.crossover.hz;
    this.place();
  }

  private key(event: KeyboardEvent): void {
    const sign = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
    if (event.key === "Escape" && this.begin) this.giveUp();
    else if (event.key === "Enter" && this.begin) void this.accept();
    else if (sign && this.start()) {
      this.wish(this.hz * 2 ** ((sign * (event.shiftKey ? 4 : 1)) / 48));
      window.clearTimeout(this.timer);
      this.timer = window.setTimeout(() => void this.accept(), 700);
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }
}
