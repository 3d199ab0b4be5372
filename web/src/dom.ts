/** Elements from code: attributes, listeners and children in one call. */

type Child = Node | string | null | undefined | false;
type Attributes = Record<string, string | number | boolean | null | undefined | ((event: never) => void)>;

export function h<K extends keyof HTMLElementTagNameMap>(tag: K, attributes: Attributes = {}, ...children: Child[]): HTMLElementTagNameMap[K] {
  const element = document.createElement(tag);
  set(element, attributes);
  add(element, children);
  return element;
}

export function s<K extends keyof SVGElementTagNameMap>(tag: K, attributes: Attributes = {}, ...children: Child[]): SVGElementTagNameMap[K] {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  set(element, attributes);
  add(element, children);
  return element;
}

function set(element: Element, attributes: Attributes): void {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name, value as EventListener);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== null && value !== undefined && value !== false) element.setAttribute(name, String(value));
  }
}

function add(element: Element, children: Child[]): void {
  for (const child of children) if (child !== null && child !== undefined && child !== false) element.append(child);
}

export function clear(element: Element, ...children: Child[]): void {
  element.replaceChildren();
  add(element, children);
}

/** A page-wide signal: those who listen are called in the order they came. */
export class Signal<T> {
  private ears = new Set<(value: T) => void>();
  on(ear: (value: T) => void): () => void {
    this.ears.add(ear);
    return () => this.ears.delete(ear);
  }
  say(value: T): void {
    for (const ear of this.ears) ear(value);
  }
}

let spoken: HTMLElement | null = null;

/** Words for those who listen rather than look. */
export function announce(words: string): void {
  spoken ??= document.body.appendChild(h("div", { class: "unseen", role: "status", "aria-live": "polite" }));
  spoken.textContent = words;
}

/** At most one call a frame. */
export function once(work: () => void): () => void {
  let waiting = false;
  return () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => {
      waiting = false;
      work();
    });
  };
}
