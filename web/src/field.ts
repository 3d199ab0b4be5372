/** One quantity of the design: typed with its unit, stepped, or pulled sideways by its name. */

import type { Desk } from "./desk";
import { announce, clear, h } from "./dom";
import type { Field, Refused } from "./messages";
import { W } from "./words";

const REST_MS = 600;
const PULL_PX = 4;
let serial = 0;

export class FieldRow {
  readonly element: HTMLElement;
  private input: HTMLInputElement | HTMLSelectElement;
  private rule = h("div", { class: "rule", hidden: true });
  private timer = 0;
  private typed = false;
  private wished: number | null = null;
  private number = (serial += 1);
  private turn = 0;

  constructor(
    private desk: Desk,
    private field: Field,
  ) {
    this.input = field.kind === "choice" || field.kind === "flag" ? this.select() : this.text();
    this.input.id = `field-${this.number}`;
    this.input.dataset["path"] = field.path;
    this.rule.id = `rule-${this.number}`;
    const stepped = field.kind === "quantity" || field.kind === "number";
    const label = h("label", { for: this.input.id, class: stepped ? "pulled" : "", title: this.title() }, field.label);
    this.element = h(
      "div",
      { class: "field", "data-kind": field.kind },
      label, this.input, stepped ? this.stepper(-1) : null, stepped ? this.stepper(1) : null, this.rule,
    );
    if (stepped) this.pulls(label);
  }

  /** New words from the server; what is being typed stays. */
  renew(field: Field): void {
    this.field = field;
    if (this.typed || this.wished !== null) return;
    this.put(field.text);
    if (this.input instanceof HTMLInputElement) this.input.placeholder = field.default || W.rail.unset;
    this.clearRule();
  }

  get path(): string {
    return this.field.path;
  }

  refuse(refused: Refused): void {
    const use = refused.nearest;
    clear(
      this.rule,
      h("span", {}, refused.rule || refused.text),
      use ? h("button", { type: "button", click: () => void this.commit(use) }, W.rail.use(use)) : null,
      h("button", { type: "button", click: () => this.restore() }, W.rail.keep),
    );
    this.rule.hidden = false;
    this.rule.title = refused.text;
    this.input.setAttribute("aria-invalid", "true");
    this.input.setAttribute("aria-describedby", this.rule.id);
    announce(`${this.field.label}: ${refused.rule || refused.text}`);
  }

  /** A value in the field's unit, shown at once and sent as a wish. */
  wish(value: number): void {
    const neat = Number(value.toPrecision(6));
    this.wished = neat;
    this.put(`${neat}${this.field.unit ? ` ${this.field.unit}` : ""}`);
    this.desk.drag([{ path: this.field.path, value: neat }]);
  }

  private title(): string {
    return [this.field.help, this.field.quick, this.field.kind === "quantity" ? W.rail.pull : ""].filter(Boolean).join(". ");
  }

  private text(): HTMLInputElement {
    const input = h("input", { type: "text", value: this.field.text, placeholder: this.field.default || W.rail.unset, spellcheck: "false", autocomplete: "off" });
    input.addEventListener("input", () => {
      this.typed = true;
      this.wished = null;
      this.turn += 1;
      this.clearRule();
    });
    input.addEventListener("keydown", (event) => this.key(event));
    input.addEventListener("blur", () => this.typed && this.rule.hidden && input.value !== this.field.text && void this.commit(input.value));
    return input;
  }

  private select(): HTMLSelectElement {
    const choices = this.field.choices ?? [];
    const select = h("select", {}, ...choices.map((c) => h("option", { value: c, selected: c === this.field.text }, c)));
    select.addEventListener("change", () => void this.commit(select.value));
    return select;
  }

  private stepper(sign: 1 | -1): HTMLButtonElement {
    const press = (event: MouseEvent) => this.step(sign, event.shiftKey ? 10 : event.altKey ? 0.1 : 1);
    return h("button", { type: "button", class: "step", tabindex: "-1", "aria-label": W.rail.step(this.field.label, sign > 0), click: press }, sign > 0 ? "+" : "−");
  }

  private step(sign: number, times: number): void {
    const step = this.field.step ?? 1;
    const from = this.wished ?? this.field.value ?? 0;
    const kind = this.field.kind === "number" ? Math.max(1, times) : times;
    this.typed = false;
    this.wish(from + sign * step * kind);
    this.rest();
  }

  private rest(): void {
    window.clearTimeout(this.timer);
    this.timer = window.setTimeout(() => void this.accept(), REST_MS);
  }

  private async accept(): Promise<void> {
    window.clearTimeout(this.timer);
    this.timer = 0;
    if (this.wished === null) return;
    if (this.wished === this.field.value) return this.restore(false);
    const text = this.value;
    const turn = (this.turn += 1);
    this.finish(await this.desk.accept().catch(unanswered), text, turn);
  }

  private async commit(text: string): Promise<void> {
    this.put(text);
    const turn = (this.turn += 1);
    this.finish(await this.desk.edit(this.field.path, text).catch(unanswered), text, turn);
  }

  /** An answer that came after the value was given up, or typed anew, changes nothing. */
  private finish(refused: Refused | null, text: string, turn: number): void {
    if (turn !== this.turn) return;
    this.wished = null;
    if (refused) {
      this.typed = true;
      this.put(text);
      this.refuse(refused);
      return;
    }
    this.typed = false;
    this.clearRule();
  }

  private restore(focus = true): void {
    window.clearTimeout(this.timer);
    this.timer = 0;
    this.turn += 1;
    this.typed = false;
    this.wished = null;
    this.desk.release();
    this.put(this.field.text);
    this.clearRule();
    if (focus) this.input.focus();
  }

  private clearRule(): void {
    this.rule.hidden = true;
    clear(this.rule);
    this.input.removeAttribute("aria-invalid");
    this.input.removeAttribute("aria-describedby");
  }

  private get value(): string {
    return this.input.value;
  }

  private put(text: string): void {
    if (this.input.value !== text) this.input.value = text;
  }

  private key(event: KeyboardEvent): void {
    const steps = this.field.kind === "quantity" || this.field.kind === "number";
    if (event.key === "Enter") {
      if (this.timer) void this.accept();
      else if (this.value !== this.field.text) void this.commit(this.value);
    } else if (event.key === "Escape") this.restore();
    else if (steps && (event.key === "ArrowUp" || event.key === "ArrowDown")) this.step(event.key === "ArrowUp" ? 1 : -1, event.shiftKey ? 10 : event.altKey ? 0.1 : 1);
    else return;
    event.preventDefault();
  }

  private pulls(label: HTMLElement): void {
    let from: { x: number; value: number } | null = null;
    let pulled = false;
    label.addEventListener("pointerdown", (event) => {
      from = { x: event.clientX, value: this.field.value ?? 0 };
      pulled = false;
      label.setPointerCapture(event.pointerId);
    });
    label.addEventListener("pointermove", (event) => {
      if (!from || (!pulled && Math.abs(event.clientX - from.x) < PULL_PX)) return;
      pulled = true;
      const step = (this.field.step ?? 1) * (event.shiftKey ? 0.1 : 1);
      this.typed = false;
      this.wish(from.value + Math.round((event.clientX - from.x) / PULL_PX) * step);
    });
    label.addEventListener("pointerup", () => {
      if (pulled) void this.accept();
      from = null;
    });
    label.addEventListener("pointercancel", () => {
      from = null;
      if (pulled) this.restore();
    });
    label.addEventListener("click", (event) => pulled && event.preventDefault());
  }
}

function unanswered(): Refused {
  return { text: W.link.lost };
}
