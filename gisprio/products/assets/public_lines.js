/* The public map's lines: parts of the watershed by class, and names of streams. */

const CASING = "#20242b", UNTOLD = "#6b737c", UNSEEN = "#7fa6bf", WIDTHS = [6.4, 5.8, 5.2, 4.6, 4];

/* How a part is drawn: colour, width, dashes. */
function styleOf(world, part) {
  const at = part < 0 ? -1 : world.parts.class[part];
  if (part < 0) return { colour: UNSEEN, width: 1.6, dash: null, cased: false };
  return at < 0 ? { colour: UNTOLD, width: 2.6, dash: "1 6", cased: false } : { colour: world.classes[at].colour, width: WIDTHS[at], dash: null, cased: true };
}

function runsOf(shapes, row) {
  const runs = [];
  for (let run = shapes.first[row]; run < shapes.first[row + 1]; run++) {
    const line = [];
    for (let k = shapes.begin[run]; k < shapes.begin[run + 1]; k++) line.push(degrees(shapes.x[k], shapes.y[k]));
    runs.push(line);
  }
  return runs;
}

/* The lines of each part: a casing, the colour, and a wide unseen line that the pointer finds. */
function drawParts(map, world, app) {
  const add = (runs, more) => L.polyline(runs, { lineCap: "round", lineJoin: "round", interactive: false, smoothFactor: 0.5, ...more }).addTo(map);
  const shapes = world.streams.shapes, unseen = [], drawn = [];
  world.streams.part.forEach((part, row) => { if (part < 0) unseen.push(...runsOf(shapes, row)); });
  add(unseen, { color: UNSEEN, weight: 1.6 });
  const backwards = [...world.order].reverse();
  for (const part of backwards) {
    const runs = world.rowsOf[part].flatMap((row) => runsOf(shapes, row)), style = styleOf(world, part);
    const casing = style.cased ? add(runs, { color: CASING }) : null;
    drawn[part] = { part, style, casing, line: add(runs, { color: style.colour, dashArray: style.dash }) };
  }
  for (const part of backwards) {
    for (const row of world.rowsOf[part]) {
      const hit = add(runsOf(shapes, row), { interactive: true, weight: 22, opacity: 0, bubblingMouseEvents: false });
      hit.on("mouseover", () => app.look(part)).on("mouseout", () => app.look(-1)).on("click", () => app.select(part, false));
    }
  }
  return drawn;
}

/* Widths follow the zoom; what is looked at or selected stands out, the rest steps back. */
function styleParts(map, state) {
  const k = Math.max(0.55, Math.min(1.25, (map.getZoom() - 8) / 4));
  const on = state.printing ? -1 : state.looked >= 0 ? state.looked : state.selected;
  for (const one of state.drawn) {
    const up = one.part === on, width = one.style.width * k * (up ? 1.5 : 1), opacity = on < 0 || up ? 1 : 0.4;
    if (one.casing) one.casing.setStyle({ weight: width + (up ? 4 : 2), opacity });
    one.line.setStyle({ weight: width, opacity });
    if (up) for (const line of [one.casing, one.line]) if (line) line.bringToFront();
  }
}

/* ---- names of streams on the map */

/* The middle of the longest run of each stream that has a name, the longest stream first. */
function nameplaces(world) {
  const shapes = world.streams.shapes, places = [];
  for (let row = 0; row < shapes.count; row++) {
    const name = world.streams.name(row);
    if (!name || world.streams.part[row] < 0) continue;
    let most = 0, middle = null;
    for (let run = shapes.first[row]; run < shapes.first[row + 1]; run++) {
      const from = shapes.begin[run], to = shapes.begin[run + 1];
      let sum = 0;
      for (let k = from + 1; k < to; k++) sum += Math.hypot(shapes.x[k] - shapes.x[k - 1], shapes.y[k] - shapes.y[k - 1]);
      if (sum > most) { most = sum; middle = halfway(shapes, from, to, sum / 2); }
    }
    if (middle) places.push({ name, length: most, at: degrees(...middle) });
  }
  return places.sort((a, b) => b.length - a.length);
}

function halfway(shapes, from, to, left) {
  for (let k = from + 1; k < to; k++) {
    const dx = shapes.x[k] - shapes.x[k - 1], dy = shapes.y[k] - shapes.y[k - 1], size = Math.hypot(dx, dy);
    if (size >= left && size) return [shapes.x[k - 1] + (dx * left) / size, shapes.y[k - 1] + (dy * left) / size];
    left -= size;
  }
  return [shapes.x[to - 1], shapes.y[to - 1]];
}

/* Names where there is room: on streams long enough on screen, none over another. */
function placeNames(map, places, layer) {
  layer.clearLayers();
  const taken = [], scale = 256 * 2 ** map.getZoom(), seen = map.getBounds();
  for (const { name, length, at } of places) {
    const wide = Math.min(150, 8 * name.length + 12), point = map.latLngToContainerPoint(at);
    const box = [point.x - wide / 2, point.y - 12, point.x + wide / 2, point.y + 12];
    if (length * scale < 0.6 * wide || !seen.contains(at) || taken.some((other) => crosses(box, other))) continue;
    taken.push(box);
    const html = foreign("span", "", name);
    L.marker(at, { interactive: false, keyboard: false, icon: L.divIcon({ className: "stream-name", html, iconSize: [wide, 22] }) }).addTo(layer);
  }
}

function crosses(a, b) {
  return a[0] < b[2] + 6 && b[0] < a[2] + 6 && a[1] < b[3] + 4 && b[1] < a[3] + 4;
}
