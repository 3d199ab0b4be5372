/** Lines of equal level on a grid, by marching squares; in grid coordinates (column, row). */

export type Segment = [number, number, number, number];

export function contour(level: ArrayLike<number>, columns: number, rows: number, value: number): Segment[] {
  const found: Segment[] = [];
  for (let j = 0; j + 1 < rows; j++) {
    for (let i = 0; i + 1 < columns; i++) {
      const a = level[j * columns + i]! - value;
      const b = level[j * columns + i + 1]! - value;
      const c = level[(j + 1) * columns + i + 1]! - value;
      const d = level[(j + 1) * columns + i]! - value;
      if (!(Number.isFinite(a) && Number.isFinite(b) && Number.isFinite(c) && Number.isFinite(d))) continue;
      const cut: [number, number][] = [];
      if (a < 0 !== b < 0) cut.push([i + a / (a - b), j]);
      if (b < 0 !== c < 0) cut.push([i + 1, j + b / (b - c)]);
      if (d < 0 !== c < 0) cut.push([i + d / (d - c), j + 1]);
      if (a < 0 !== d < 0) cut.push([i, j + a / (a - d)]);
      for (let k = 0; k + 1 < cut.length; k += 2) found.push([...cut[k]!, ...cut[k + 1]!]);
    }
  }
  return found;
}
