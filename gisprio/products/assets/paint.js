/* One canvas with everything: properties, gaps, water, banks by class, the selected thing. */

const CASING = "#20242b", DIMMED = "#c3c8cc", WIDTHS = [5.2, 4.4, 3.6, 3, 2.4];
const CASINGS = ["#20242b", "#20242b", "#2c323a", "#454c54", "#5f656a"];

const Painting = L.Renderer.extend({
  options: { padding: 0.25 },

  initialize(world, state) {
    L.Renderer.prototype.initialize.call(this, {});
    this.world = world;
    this.state = state;
    this.drawn = [];
    this.names = { places: [], key: "" };
  },

  _initContainer() {
    this._container = document.createElement("canvas");
    this._container.setAttribute("aria-hidden", "true");
    this.pen = this._container.getContext("2d");
  },

  _destroyContainer() {
    this._container.remove();
    delete this._container;
  },

  _update() {
    if (this._map._animatingZoom && this._bounds) return;
    L.Renderer.prototype._update.call(this);
    const size = this._bounds.getSize(), ratio = window.devicePixelRatio || 1;
    L.DomUtil.setPosition(this._container, this._bounds.min);
    this._container.width = Math.round(size.x * ratio);
    this._container.height = Math.round(size.y * ratio);
    this._container.style.width = `${size.x}px`;
    this._container.style.height = `${size.y}px`;
    this.paint();
  },

  /* What is where on the canvas: world place times scale, less left and top. */
  view() {
    const zoom = this._map.getZoom(), scale = 256 * 2 ** zoom;
    const corner = this._map.getPixelOrigin().add(this._bounds.min), size = this._bounds.getSize();
    const middle = (corner.y + size.y / 2) / scale;
    const metres = 40075016.686 / Math.cosh(Math.PI * (1 - 2 * middle)) / scale;
    return { zoom, scale, left: corner.x, top: corner.y, wide: size.x, high: size.y, metres };
  },

  paint() {
    const { pen, world, state } = this, ratio = window.devicePixelRatio || 1, view = this.view();
    const same = this.last && ["scale", "left", "top", "wide", "high"].every((key) => this.last[key] === view[key]);
    this.last = view;
    if (!same) this.drawn = placeBanks(world, view);
    const room = roomOf(this._map.getContainer(), this._container);
    if (!same || room.key !== this.names.key) this.names = placeNames(pen, world, this.drawn, room);
    const below = this.below(view, ratio);
    pen.setTransform(1, 0, 0, 1, 0, 0);
    pen.clearRect(0, 0, this._container.width, this._container.height);
    pen.drawImage(below, 0, 0);
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.lineJoin = pen.lineCap = "round";
    if (state.show.banks) paintBanks(pen, world, state, view, this.drawn);
    paintMarks(pen, world, state, view);
    if (state.show.names) paintNames(pen, this.names.places, world.colours.flow);
    paintSelected(pen, world, state, view, this.drawn);
  },

  /* What lies below the banks, drawn anew only when the view, the layers shown or the filter change. */
  below(view, ratio) {
    const key = [view.scale, view.left, view.top, view.wide, view.high, ratio, JSON.stringify(this.state.show)].join();
    if (this.under && this.under.key === key && this.under.kept === this.state.kept.bank) return this.under.canvas;
    const canvas = this.under ? this.under.canvas : document.createElement("canvas"), pen = canvas.getContext("2d");
    canvas.width = this._container.width;
    canvas.height = this._container.height;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.lineJoin = pen.lineCap = "round";
    if (this.state.show.properties) paintProperties(pen, this.world, this.state, view);
    if (this.state.show.gaps && gapsFit(view)) paintGaps(pen, this.world, this.state, view);
    paintSymbols(pen, this.world, this.state, view);
    if (this.state.show.banks) paintWater(pen, this.world, view, this.drawn);
    this.under = { key, kept: this.state.kept.bank, canvas };
    return canvas;
  },

  /* The bank within `reach` pixels of a container point, or the property under it. */
  find(point, reach) {
    const layer = this._map.containerPointToLayerPoint(point).subtract(this._bounds.min), view = this.last;
    if (this.state.show.banks) {
      const bank = nearestBank(this.world, this.drawn, layer.x, layer.y, reach);
      if (bank >= 0) return { kind: "bank", row: bank };
    }
    const x = (layer.x + view.left) / view.scale, y = (layer.y + view.top) / view.scale;
    const near = gapsFit(view), show = this.state.show, kept = this.state.kept;
    if (near && show.sites && layerHas(this.world, "sites")) {
      const row = heldBy(this.world.sites.shapes, x, y, kept.site);
      if (row >= 0) return { kind: "site", row };
    }
    if (near && show.gaps) {
      const gap = heldBy(this.world.gaps.shapes, x, y, null);
      if (gap >= 0) return { kind: "bank", row: this.world.gaps.bank[gap] };
    }
    const row = show.properties ? heldBy(this.world.properties.shapes, x, y, kept.property) : -1;
    return row >= 0 ? { kind: "property", row } : null;
  },
});

/* The first shape that is kept and holds a place; -1 for none. */
function heldBy(shapes, x, y, kept) {
  for (let i = 0; i < shapes.count; i++) if ((!kept || kept[i]) && holds(shapes, i, x, y)) return i;
  return -1;
}

function inView(shapes, i, view, margin) {
  const b = 4 * i, box = shapes.box, s = view.scale;
  return box[b + 2] * s - view.left > -margin && box[b] * s - view.left < view.wide + margin
    && box[b + 3] * s - view.top > -margin && box[b + 1] * s - view.top < view.high + margin;
}

function trace(pen, line) {
  pen.moveTo(line[0], line[1]);
  for (let i = 2; i < line.length; i += 2) pen.lineTo(line[i], line[i + 1]);
}

/* Rings end where they begin, so none is closed: closing thousands of them is what takes a browser long. */
function traceShape(pen, shapes, i, view) {
  for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) trace(pen, onScreen(shapes, run, view, 0.7));
}

function stroke(pen, colour, width, dash) {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.setLineDash(dash || []);
  pen.stroke();
}

function paintProperties(pen, world, state, view) {
  const shapes = world.properties.shapes, kept = state.kept.property;
  pen.beginPath();
  for (let i = 0; i < shapes.count; i++) if ((!kept || kept[i]) && inView(shapes, i, view, 2)) traceShape(pen, shapes, i, view);
  const near = view.metres < 4;
  stroke(pen, "rgb(255 255 255 / 60%)", near ? 2.4 : 1.6);
  stroke(pen, world.colours.property, near ? 0.9 : 0.45);
}

/* Gaps are drawn true to scale; where banks must stand apart to be seen, gaps would lie between them. */
function gapsFit(view) {
  return view.metres < 4;
}

function paintGaps(pen, world, state, view) {
  const { shapes, certain, bank } = world.gaps, fill = hatch(pen, world.colours.gap), kept = state.kept.bank;
  for (const clear of [0, 1]) {
    pen.beginPath();
    for (let i = 0; i < shapes.count; i++) {
      if (certain[i] === clear && (!kept || kept[bank[i]]) && inView(shapes, i, view, 2)) traceShape(pen, shapes, i, view);
    }
    pen.fillStyle = "rgb(255 255 255 / 45%)";
    pen.fill("evenodd");
    pen.fillStyle = fill;
    pen.fill("evenodd");
    stroke(pen, world.colours.gap, view.zoom < 13 ? 0.7 : 1.3, clear ? [] : [4, 3]);
  }
}

function hatch(pen, colour) {
  return tiled(pen, 8, (ink) => {
    ink.strokeStyle = colour;
    ink.lineWidth = 1.3;
    ink.beginPath();
    for (const shift of [-8, 0, 8]) { ink.moveTo(shift - 1, 9); ink.lineTo(shift + 9, -1); }
    ink.stroke();
  });
}

/* Reaches in view with the lines of their two banks, and how far each is moved. */
function placeBanks(world, view) {
  const shapes = world.reaches.shapes, out = [];
  const least = 1 + 4.2 * grown(view.zoom);
  for (let i = 0; i < shapes.count; i++) {
    if (!inView(shapes, i, view, 60)) continue;
    const half = (world.reaches.width_m[i] || 0) / 2 / view.metres, by = Math.max(least, Math.min(half, 40));
    const runs = [];
    for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) runs.push(onScreen(shapes, run, view, 1.5));
    const sides = tooFar(view) ? [runs, runs] : [runs.map((line) => moved(line, by)), runs.map((line) => moved(line, -by))];
    out.push({ reach: i, by, runs, sides, banks: world.banksOf[i] });
  }
  return out;
}

/* From 0.25 for a whole region on screen to 1 where single banks are looked at. */
function grown(zoom) {
  return Math.max(0.25, Math.min(1.1, (zoom - 10.3) / 4.5));
}

/* Water, the wider the higher the order of the stream. */
function paintWater(pen, world, view, drawn) {
  if (tooFar(view)) return;
  const wide = Math.max(0.8, 1.8 * grown(view.zoom)), byOrder = new Map();
  for (const { reach, runs } of drawn) {
    const order = Math.min(7, world.reaches.strahler_order[reach] || 1);
    if (!byOrder.has(order)) byOrder.set(order, []);
    byOrder.get(order).push(...runs);
  }
  for (const [order, lines] of byOrder) {
    pen.beginPath();
    for (const line of lines) trace(pen, line);
    stroke(pen, world.colours.water, wide * (0.8 + 0.2 * order));
  }
  pen.beginPath();
  for (const { runs } of drawn) for (const line of runs) if (lengthOf(line) > 64) arrow(pen, line);
  stroke(pen, world.colours.flow, 1.6);
}

/* A small arrow head in the middle of a line, pointing along it. */
function arrow(pen, line) {
  let left = lengthOf(line) / 2;
  for (let i = 2; i < line.length; i += 2) {
    const dx = line[i] - line[i - 2], dy = line[i + 1] - line[i - 1], size = Math.hypot(dx, dy);
    if (size < left || !size) { left -= size; continue; }
    const ux = dx / size, uy = dy / size, x = line[i - 2] + ux * left, y = line[i - 1] + uy * left;
    pen.moveTo(x - 4 * ux - 3 * uy, y - 4 * uy + 3 * ux);
    pen.lineTo(x + ux, y + uy);
    pen.lineTo(x - 4 * ux + 3 * uy, y - 4 * uy - 3 * ux);
    return;
  }
}

/* Whether the two banks of a stream cannot be told apart at this scale: then one line shows the more urgent. */
function tooFar(view) {
  return view.metres > 40;
}

/* Banks from the least urgent up: outside the filter, not ranked, then the classes, each over a dark casing. */
function paintBanks(pen, world, state, view, drawn) {
  const classes = bankClasses(world, state.order), k = grown(view.zoom), last = classes.length, far = tooFar(view);
  const lines = linesByClass(world, state, drawn, last, far);
  for (let wanted = last + 1; wanted >= 0; wanted--) {
    pen.beginPath();
    for (const line of lines[wanted]) trace(pen, line);
    if (wanted === last + 1) { stroke(pen, DIMMED, far ? 0.6 : 1.2); continue; }
    if (wanted === last) { stroke(pen, world.colours.not_ranked, far ? 0.6 : 1.2, far ? [] : [4, 4]); continue; }
    const width = classes[wanted].width * k;
    if (world.about.has_image) stroke(pen, "rgb(255 255 255 / 80%)", width + (far ? 1.2 : 4) * Math.min(1, k));
    if (!far) stroke(pen, classes[wanted].casing, width + 1.6 * Math.min(1, k));
    stroke(pen, classes[wanted].colour, width);
  }
}

/* Lines by class; two more for those not ranked and those outside the filter. Far out a reach has the class of its more
   urgent bank. */
function linesByClass(world, state, drawn, last, far) {
  const of = classesOf(world, state.order), kept = state.kept.bank, lines = Array.from({ length: last + 2 }, () => []);
  const classOf = (bank) => (kept && !kept[bank] ? last + 1 : of[bank]);
  for (const { runs, sides, banks } of drawn) {
    if (far) lines[Math.min(last + 1, ...banks.map(classOf))].push(...runs);
    else for (const bank of banks) lines[classOf(bank)].push(...sides[world.banks.side[bank]]);
  }
  return lines;
}

/* Class of every bank in one way to colour; the number of classes where it has none. Kept until the ranks change. */
function classesOf(world, place) {
  if (!world.classes[place]) world.classes[place] = place < world.orders.length ? rankClasses(world.orders[place], world.now) : needClasses(world);
  return world.classes[place];
}

function rankClasses(order, now) {
  const rank = now[order.rank], n = rank.length, none = order.classes.length, of = new Uint8Array(order.ranked + 1).fill(none), out = new Uint8Array(n);
  order.classes.forEach((c, i) => { if (c.high >= c.low) of.fill(i, c.low, c.high + 1); });
  for (let i = 0; i < n; i++) out[i] = rank[i] > 0 ? of[rank[i]] : none;
  return out;
}

function needClasses(world) {
  return Uint8Array.from(world.now.need, (code) => (code < 0 ? world.needs.length : code));
}

function paintSelected(pen, world, state, view, drawn) {
  const chosen = state.selected;
  if (!chosen) return;
  pen.beginPath();
  if (chosen.kind !== "bank") {
    traceShape(pen, (chosen.kind === "site" ? world.sites : world.properties).shapes, chosen.row, view);
    pen.fillStyle = "rgb(11 90 107 / 12%)";
    pen.fill("evenodd");
    stroke(pen, "#ffffff", 6);
    stroke(pen, "#0b5a6b", 3);
    return;
  }
  const reach = drawn.find((one) => one.banks.includes(chosen.row));
  if (!reach) return;
  for (const line of reach.sides[world.banks.side[chosen.row]]) trace(pen, line);
  const classes = bankClasses(world, state.order), at = classesOf(world, state.order)[chosen.row];
  const width = 6.5 * Math.max(0.8, grown(view.zoom));
  stroke(pen, "#ffffff", width + 6);
  stroke(pen, CASING, width + 3);
  stroke(pen, at < classes.length ? classes[at].colour : "#c9ced4", width);
}

/* The bank whose line on screen is nearest to a point and at most `reach` pixels away; -1 for none. */
function nearestBank(world, drawn, x, y, reach) {
  let best = -1, least = reach * reach;
  for (const { sides, banks } of drawn) {
    for (const bank of banks) {
      for (const line of sides[world.banks.side[bank]]) {
        const d = distance2(line, x, y);
        if (d <= least) { least = d; best = bank; }
      }
    }
  }
  return best;
}
