/* Layers drawn as symbols: crossings, steps, flows, constraints, works done, scars, sites. */

/* Key, name, form: each layer has a colour and a form of its own; `scale` says from which scale on it is drawn. */
const SYMBOLS = [
  { key: "sites", name: "Sites", more: "pieces of work", scale: "gaps", swatch: (pen, c) => boxSwatch(pen, c.site, null, 2.4, [7, 2.5]) },
  { key: "works_done", name: "Works done", scale: "gaps", swatch: (pen, c) => boxSwatch(pen, c.done, dots(pen, c.done), 1.4) },
  { key: "constraints", name: "Constraints", scale: "gaps", swatch: (pen, c) => boxSwatch(pen, c.constraint, crosses(pen, c.constraint), 1.1) },
  { key: "scars", name: "Seen to erode", scale: "far", swatch: (pen, c) => scarSwatch(pen, c.scar) },
  { key: "flow_points", name: "Concentrated flow", more: "full: crosses a gap", scale: "flows", swatch: (pen, c) => flowSwatch(pen, c.flow) },
  { key: "crossings", name: "Crossings", scale: "symbols", swatch: (pen, c) => crossingMark(pen, 17, 8, 0, c.crossing) },
  { key: "knickpoints", name: "Steps in the bed", scale: "far", swatch: (pen, c) => stepMark(pen, 17, 8, c.step) },
];

/* Flows are drawn where a pixel is less ground than this [m]: there are many, and farther out they hide the banks. */
const FLOWS_M = 2;

function layerHas(world, key) {
  return Boolean(world[key] && world[key].shapes.count);
}

/* Whether crossings are drawn at this scale. */
function symbolsFit(view) {
  return view.metres < 8;
}

function paintSymbols(pen, world, state, view) {
  const c = world.colours, on = (key) => state.show[key] && layerHas(world, key);
  if (on("constraints") && gapsFit(view)) paintAreas(pen, world.constraints.shapes, view, c.constraint, crosses(pen, c.constraint), 1.1);
  if (on("works_done") && gapsFit(view)) paintAreas(pen, world.works_done.shapes, view, c.done, dots(pen, c.done), 2);
  if (on("sites") && gapsFit(view)) paintSites(pen, world, state, view);
}

function paintMarks(pen, world, state, view) {
  const c = world.colours, on = (key) => state.show[key] && layerHas(world, key);
  if (on("scars")) paintScars(pen, world.scars.shapes, view, c.scar);
  if (on("crossings") && symbolsFit(view)) eachPoint(world.crossings.shapes, view, (x, y, i) => crossingMark(pen, x, y, turnOf(world, i, view, x, y), c.crossing));
  if (on("flow_points") && view.metres < FLOWS_M) eachPoint(world.flow_points.shapes, view, (x, y, i) => flowMark(pen, x, y, c.flow, world.flow_points.in_gap(i) === "True"));
  if (on("knickpoints")) eachPoint(world.knickpoints.shapes, view, (x, y) => stepMark(pen, x, y, c.step));
}

function eachPoint(shapes, view, mark) {
  for (let i = 0; i < shapes.count; i++) {
    if (!inView(shapes, i, view, 10)) continue;
    const k = shapes.begin[shapes.first[i]];
    mark(shapes.x[k] * view.scale - view.left, shapes.y[k] * view.scale - view.top, i);
  }
}

/* Direction of the stream where crossing i lies, as an angle on screen. */
function turnOf(world, i, view, px, py) {
  const reach = world.crossings.reach[i], shapes = world.reaches.shapes;
  let turn = 0, least = Infinity;
  for (let run = shapes.first[reach]; reach >= 0 && run < shapes.first[reach + 1]; run++) {
    const line = onScreen(shapes, run, view, 1);
    for (let k = 2; k < line.length; k += 2) {
      const d = distance2(line.slice(k - 2, k + 2), px, py);
      if (d < least) { least = d; turn = Math.atan2(line[k + 1] - line[k - 1], line[k] - line[k - 2]); }
    }
  }
  return turn;
}

function paintAreas(pen, shapes, view, colour, fill, width, dash) {
  pen.beginPath();
  for (let i = 0; i < shapes.count; i++) if (inView(shapes, i, view, 2)) traceShape(pen, shapes, i, view);
  pen.fillStyle = "rgb(255 255 255 / 45%)";
  pen.fill("evenodd");
  pen.fillStyle = fill;
  pen.fill("evenodd");
  stroke(pen, colour, width, dash);
}

function paintSites(pen, world, state, view) {
  const { shapes } = world.sites, kept = state.kept.site;
  pen.beginPath();
  for (let i = 0; i < shapes.count; i++) if ((!kept || kept[i]) && inView(shapes, i, view, 2)) traceShape(pen, shapes, i, view);
  stroke(pen, "rgb(255 255 255 / 85%)", 4.6);
  stroke(pen, world.colours.site, 2.4, [9, 3.5]);
}

function paintScars(pen, shapes, view, colour) {
  pen.beginPath();
  for (let i = 0; i < shapes.count; i++) {
    if (!inView(shapes, i, view, 6)) continue;
    for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
      const line = onScreen(shapes, run, view, 1);
      if (line.length > 2) trace(pen, line);
      else { pen.moveTo(line[0] - 3, line[1]); pen.lineTo(line[0] + 3, line[1]); }
    }
  }
  stroke(pen, "#ffffff", 5.5);
  stroke(pen, colour, 3, [2, 4.5]);
}

/* ---- single marks: a bar pair for a crossing, a triangle for a flow, a stair for a step */

function crossingMark(pen, x, y, turn, colour) {
  pen.save();
  pen.translate(x, y);
  pen.rotate(turn);
  pen.beginPath();
  for (const dx of [-2.6, 2.6]) { pen.moveTo(dx, -7); pen.lineTo(dx, 7); }
  stroke(pen, "#ffffff", 4);
  stroke(pen, colour, 1.8);
  pen.restore();
}

function flowMark(pen, x, y, colour, full) {
  pen.beginPath();
  pen.moveTo(x, y + 5);
  pen.lineTo(x - 5, y - 4.5);
  pen.lineTo(x + 5, y - 4.5);
  pen.closePath();
  pen.fillStyle = full ? colour : "#ffffff";
  pen.fill();
  stroke(pen, "#ffffff", 3);
  pen.fill();
  stroke(pen, colour, 1.4);
}

function stepMark(pen, x, y, colour) {
  pen.beginPath();
  pen.moveTo(x - 8, y - 4);
  pen.lineTo(x, y - 4);
  pen.lineTo(x, y + 4);
  pen.lineTo(x + 8, y + 4);
  stroke(pen, "#ffffff", 5);
  stroke(pen, colour, 2.2);
}

function flowSwatch(pen, colour) {
  flowMark(pen, 9, 8, colour, true);
  flowMark(pen, 25, 8, colour, false);
}

function scarSwatch(pen, colour) {
  lineSwatch(pen, "#ffffff", 5.5);
  lineSwatch(pen, colour, 3, [2, 4.5]);
}

function tiled(pen, size, draw) {
  const tile = document.createElement("canvas");
  tile.width = tile.height = size;
  draw(tile.getContext("2d"));
  return pen.createPattern(tile, "repeat");
}

function dots(pen, colour) {
  return tiled(pen, 7, (ink) => { ink.fillStyle = colour; ink.beginPath(); ink.arc(3.5, 3.5, 1.2, 0, 7); ink.fill(); });
}

function crosses(pen, colour) {
  return tiled(pen, 9, (ink) => {
    ink.strokeStyle = colour;
    ink.lineWidth = 1;
    ink.beginPath();
    for (const [x, y, u, v] of [[2, 2, 7, 7], [7, 2, 2, 7]]) { ink.moveTo(x, y); ink.lineTo(u, v); }
    ink.stroke();
  });
}
