/** What the page remembers between visits: layout and looks only, never the design. */

export function kept<T>(name: string, otherwise: T): T {
  try {
    const text = localStorage.getItem(`evenfield.${name}`);
    return text === null ? otherwise : (JSON.parse(text) as T);
  } catch {
    return otherwise;
  }
}

export function keep(name: string, value: unknown): void {
  try {
    localStorage.setItem(`evenfield.${name}`, JSON.stringify(value));
  } catch {
    // A browser that stores nothing still shows everything.
  }
}
