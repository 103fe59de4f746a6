/* Plane geometry in screen pixels (x right, y down). Lines are flat arrays x0, y0, x1, y1, ... */

/* Points of a run on screen; points nearer than `step` to the one before are left out, the ends are kept. */
function onScreen(shapes, run, view, step) {
  const out = [], from = shapes.begin[run], to = shapes.begin[run + 1];
  let lastX = NaN, lastY = NaN;
  for (let k = from; k < to; k++) {
    const x = shapes.x[k] * view.scale - view.left, y = shapes.y[k] * view.scale - view.top;
    const near = Math.abs(x - lastX) < step && Math.abs(y - lastY) < step;
    if (near && k > from && k < to - 1) continue;
    out.push(x, y);
    lastX = x;
    lastY = y;
  }
  return out;
}

/* The line moved to its left (looking along it) by `by` pixels; negative moves it right. Sharp corners are cut. */
function moved(line, by) {
  const n = line.length / 2, out = new Array(line.length);
  let ax = 0, ay = 0;
  for (let i = 0; i < n; i++) {
    let bx = ax, by2 = ay;
    if (i + 1 < n) {
      const dx = line[2 * i + 2] - line[2 * i], dy = line[2 * i + 3] - line[2 * i + 1];
      const length = Math.hypot(dx, dy);
      if (length > 0) { bx = dy / length; by2 = -dx / length; }
    }
    if (i === 0) { ax = bx; ay = by2; }
    let nx = ax + bx, ny = ay + by2;
    const size = Math.hypot(nx, ny);
    if (size < 0.6) { nx = bx; ny = by2; }
    else { const grow = Math.min(2 / size, 1.6) / size; nx *= grow; ny *= grow; }
    out[2 * i] = line[2 * i] + nx * by;
    out[2 * i + 1] = line[2 * i + 1] + ny * by;
    ax = bx;
    ay = by2;
  }
  return out;
}

function lengthOf(line) {
  let sum = 0;
  for (let i = 2; i < line.length; i += 2) sum += Math.hypot(line[i] - line[i - 2], line[i + 1] - line[i - 1]);
  return sum;
}

/* Squared distance of a point from a line. */
function distance2(line, px, py) {
  let least = Infinity;
  for (let i = 2; i < line.length; i += 2) {
    const x = line[i - 2], y = line[i - 1], dx = line[i] - x, dy = line[i + 1] - y;
    const size = dx * dx + dy * dy;
    const t = size ? Math.max(0, Math.min(1, ((px - x) * dx + (py - y) * dy) / size)) : 0;
    const ex = x + t * dx - px, ey = y + t * dy - py;
    least = Math.min(least, ex * ex + ey * ey);
  }
  return least;
}

/* Whether a world place lies in shape i: even-odd over all its rings. */
function holds(shapes, i, x, y) {
  const b = 4 * i, box = shapes.box;
  if (x < box[b] || x > box[b + 2] || y < box[b + 1] || y > box[b + 3]) return false;
  let inside = false;
  for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
    const from = shapes.begin[run], to = shapes.begin[run + 1];
    for (let k = from, j = to - 1; k < to; j = k++) {
      const above = shapes.y[k] > y, other = shapes.y[j] > y;
      if (above === other) continue;
      const cut = ((shapes.x[j] - shapes.x[k]) * (y - shapes.y[k])) / (shapes.y[j] - shapes.y[k]) + shapes.x[k];
      if (x < cut) inside = !inside;
    }
  }
  return inside;
}

/* Corners of shapes as Leaflet bounds. */
function boundsOf(shapes, rows) {
  const box = shapes.box;
  let west = Infinity, north = Infinity, east = -Infinity, south = -Infinity;
  for (const i of rows) {
    west = Math.min(west, box[4 * i]);
    north = Math.min(north, box[4 * i + 1]);
    east = Math.max(east, box[4 * i + 2]);
    south = Math.max(south, box[4 * i + 3]);
  }
  return L.latLngBounds(degrees(west, south), degrees(east, north));
}

function degrees(x, y) {
  return L.latLng((Math.atan(Math.sinh(Math.PI * (1 - 2 * y))) * 180) / Math.PI, (x - 0.5) * 360);
}
