/* Names of streams, written beside their banks where they hide least; placed anew when the view changes. */

const NAMES_MOST = 30, NAME_LETTERS = 40, NAME_FONT = "italic 600 13px system-ui, sans-serif", NAME_HIGH = 16;

/* Places of names: text, corner and size on screen. The streams longest in view come first. */
function placeNames(pen, world, drawn, room) {
  const lines = new Map(), taken = new Set(), boxes = [];
  for (const { reach, runs } of drawn) {
    const name = world.reaches.name(reach);
    if (name && runs.length && !lines.has(name)) lines.set(name, []);
    if (name) lines.get(name)?.push(...runs);
    for (const line of runs) markCells(taken, line);
  }
  pen.font = NAME_FONT;
  const longest = [...lines].map(([name, runs]) => [name, runs, runs.reduce((sum, line) => sum + lengthOf(line), 0)]);
  for (const [name, runs, length] of longest.sort((a, b) => b[2] - a[2]).slice(0, NAMES_MOST)) {
    const text = [...name].slice(0, NAME_LETTERS).join(""), wide = pen.measureText(text).width;
    if (length < wide) continue;
    const box = bestBox(runs, wide, room, taken, [...boxes, ...room.covered]);
    if (box) boxes.push({ ...box, text });
  }
  return { places: boxes, key: room.key };
}

/* Where names may stand, in pixels of the canvas: the frame of the map, and the boxes that lie before it. */
function roomOf(map, canvas) {
  const { left, top } = canvas.getBoundingClientRect();
  const boxOf = (element) => {
    const box = element.getBoundingClientRect();
    return { x: box.left - left, y: box.top - top, wide: box.width, high: box.height };
  };
  const covered = [...document.querySelectorAll(".legend, .card:not([hidden]), .leaflet-control")].map(boxOf), frame = boxOf(map);
  return { frame, covered, key: JSON.stringify([frame, covered]) };
}

const cellOf = (x, y) => Math.floor(x / 12) + 8192 * Math.floor(y / 12);

/* Mark the squares of 12 pixels that a line passes. */
function markCells(taken, line) {
  for (let i = 2; i < line.length; i += 2) {
    const steps = Math.min(400, Math.ceil(Math.hypot(line[i] - line[i - 2], line[i + 1] - line[i - 1]) / 8)) || 1;
    for (let k = 0; k <= steps; k++) taken.add(cellOf(line[i - 2] + ((line[i] - line[i - 2]) * k) / steps, line[i - 1] + ((line[i + 1] - line[i - 1]) * k) / steps));
  }
}

/* The box beside one of a few places along the stream that lies on the fewest lines, in view and on no other name. */
function bestBox(runs, wide, room, taken, boxes) {
  let best = null, least = Infinity;
  const step = Math.max(1, Math.floor(runs.length / 12));
  for (let i = 0; i < runs.length; i += step) {
    const line = runs[i], k = 2 * Math.floor(line.length / 4);
    for (const [dx, dy] of [[14, -NAME_HIGH / 2], [-14 - wide, -NAME_HIGH / 2], [-wide / 2, -14 - NAME_HIGH], [-wide / 2, 14]]) {
      const box = { x: line[k] + dx, y: line[k + 1] + dy, wide, high: NAME_HIGH };
      if (!fits(box, room.frame) || boxes.some((other) => overlap(box, other))) continue;
      const hidden = cellsIn(box).filter((cell) => taken.has(cell)).length;
      const off = Math.hypot(box.x + wide / 2 - room.frame.x - room.frame.wide / 2, box.y - room.frame.y - room.frame.high / 2) / 1e5;
      if (hidden + off < least) { least = hidden + off; best = box; }
    }
  }
  return best;
}

function fits({ x, y, wide, high }, frame) {
  return x > frame.x + 4 && y > frame.y + 4 && x + wide < frame.x + frame.wide - 4 && y + high < frame.y + frame.high - 4;
}

function overlap(a, b) {
  return a.x < b.x + b.wide + 10 && b.x < a.x + a.wide + 10 && a.y < b.y + b.high + 6 && b.y < a.y + a.high + 6;
}

function cellsIn({ x, y, wide }) {
  const out = [];
  for (let px = x; px < x + wide + 12; px += 12) for (let py = y; py < y + NAME_HIGH + 12; py += 12) out.push(cellOf(Math.min(px, x + wide), Math.min(py, y + NAME_HIGH)));
  return out;
}

function paintNames(pen, places, colour) {
  pen.font = NAME_FONT;
  pen.textBaseline = "middle";
  pen.setLineDash([]);
  for (const { text, x, y } of places) {
    pen.strokeStyle = "rgb(255 255 255 / 88%)";
    pen.lineWidth = 4;
    pen.strokeText(text, x, y + NAME_HIGH / 2);
    pen.fillStyle = colour;
    pen.fillText(text, x, y + NAME_HIGH / 2);
  }
}

function nameSwatch(pen, colour) {
  paintNames(pen, [{ text: "Abc", x: 3, y: 0 }], colour);
}
