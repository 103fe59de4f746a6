/* The reader's own list: kept in the address, saved as CSV or GeoJSON, opened again by place. */

const NEAR_M = 30, SAMPLES = 11;
const LIST_COLUMNS = ["kind", "id", "stream", "side", "rank", "priority", "gap_length_m", "length_m", "latitude", "longitude"];

function isPicked(state, chosen) {
  return state.picks.some((one) => one.kind === chosen.kind && one.row === chosen.row);
}

/* What a file tells of an entry; the place is the middle of the reach, or a point of the area. */
function told(world, { kind, row }) {
  const bank = kind === "bank" ? row : kind === "site" ? world.sites.bank[row] : -1;
  const [x, y] = placeOf(world, { kind, row }), at = degrees(x, y), known = (value) => (Number.isNaN(value) ? null : value);
  const land = world.properties, out = { kind, latitude: round6(at.lat), longitude: round6(at.lng) };
  out.id = { bank: () => world.banks.id[row], site: () => world.sites.id[row], property: () => (land.id ? land.id[row] : null) }[kind]();
  out.stream = bank >= 0 ? world.reaches.name(world.banks.reach[bank]) : null;
  out.side = bank >= 0 ? ["left", "right"][world.banks.side[bank]] : null;
  out.rank = known({ bank: world.now.rank[row], site: world.sites ? world.sites.rank[row] : NaN, property: world.now.property.rank[row] }[kind]);
  out.priority = known({ bank: world.now.priority[row], site: world.sites ? world.sites.priority[row] : NaN, property: world.now.property.priority[row] }[kind]);
  out.gap_length_m = known(kind === "property" ? land.gap_length_m[row] : bank >= 0 ? world.banks.gap_length_m[bank] : NaN);
  out.length_m = known(kind === "bank" ? world.banks.length_m[row] : kind === "site" ? world.sites.length_m[row] : NaN);
  return out;
}

function round6(value) {
  return Math.round(value * 1e6) / 1e6;
}

/* Shapes of a kind, and the row of an entry in them. */
function shapeOf(world, { kind, row }) {
  if (kind === "bank") return [world.reaches.shapes, world.banks.reach[row]];
  return [kind === "site" ? world.sites.shapes : world.properties.shapes, row];
}

/* A place that stands for an entry: halfway along a reach; in an area a point inside it. */
function placeOf(world, entry) {
  const [shapes, i] = shapeOf(world, entry);
  return entry.kind === "bank" ? along(shapes, i, 0.5) : insideOf(shapes, i);
}

/* The place at a share of the length of line i. */
function along(shapes, i, share) {
  const from = shapes.begin[shapes.first[i]], to = shapes.begin[shapes.first[i] + 1];
  let sum = 0;
  for (let k = from + 1; k < to; k++) sum += Math.hypot(shapes.x[k] - shapes.x[k - 1], shapes.y[k] - shapes.y[k - 1]);
  let left = share * sum;
  for (let k = from + 1; k < to; k++) {
    const dx = shapes.x[k] - shapes.x[k - 1], dy = shapes.y[k] - shapes.y[k - 1], size = Math.hypot(dx, dy);
    if (size >= left && size > 0) return [shapes.x[k - 1] + (dx * left) / size, shapes.y[k - 1] + (dy * left) / size];
    left -= size;
  }
  return [shapes.x[to - 1], shapes.y[to - 1]];
}

/* The middle of the widest part of an area on the level of its box's middle, or near it. */
function insideOf(shapes, i) {
  const [west, north, east, south] = shapes.box.slice(4 * i, 4 * i + 4);
  for (const share of [0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9]) {
    const y = north + share * (south - north), cuts = [];
    for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
      for (let k = shapes.begin[run], j = shapes.begin[run + 1] - 1; k < shapes.begin[run + 1]; j = k++) {
        if (shapes.y[k] > y === shapes.y[j] > y) continue;
        cuts.push(((shapes.x[j] - shapes.x[k]) * (y - shapes.y[k])) / (shapes.y[j] - shapes.y[k]) + shapes.x[k]);
      }
    }
    cuts.sort((a, b) => a - b);
    let best = null;
    for (let k = 0; k + 1 < cuts.length; k += 2) if (!best || cuts[k + 1] - cuts[k] > best[1] - best[0]) best = [cuts[k], cuts[k + 1]];
    if (best) return [(best[0] + best[1]) / 2, y];
  }
  return [(west + east) / 2, (north + south) / 2];
}

/* ---- save */

/* A cell of a table; text that a spreadsheet would compute gets an apostrophe in front. */
function csvCell(value) {
  if (value === null || value === undefined) return "";
  if (typeof value === "number") return String(value);
  const guarded = /^[\s\u00a0\ufeff]*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]/.test(value) ? `'${value}` : value;
  return /[",\r\n]/.test(guarded) ? `"${guarded.replaceAll('"', '""')}"` : guarded;
}

function listCsv(world, state) {
  const rows = state.picks.map((one) => told(world, one));
  return [LIST_COLUMNS, ...rows.map((row) => LIST_COLUMNS.map((name) => row[name]))].map((cells) => `${cells.map(csvCell).join(",")}\r\n`).join("");
}

function listGeojson(world, state) {
  const features = state.picks.map((one) => ({ type: "Feature", properties: told(world, one), geometry: geometryOf(world, one) }));
  return `${JSON.stringify({ type: "FeatureCollection", features }, null, 1)}\n`;
}

function geometryOf(world, entry) {
  const [shapes, i] = shapeOf(world, entry), runs = [];
  for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
    const line = [];
    for (let k = shapes.begin[run]; k < shapes.begin[run + 1]; k++) {
      const at = degrees(shapes.x[k], shapes.y[k]);
      line.push([round6(at.lng), round6(at.lat)]);
    }
    runs.push(line);
  }
  if (entry.kind === "bank") return { type: "MultiLineString", coordinates: runs };
  const [x, y] = placeOf(world, entry), at = degrees(x, y);
  return { type: "Point", coordinates: [round6(at.lng), round6(at.lat)] };
}

function download(name, type, text) {
  const link = element("a"), address = URL.createObjectURL(new Blob([text], { type }));
  link.href = address;
  link.download = name;
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}

/* ---- open again */

/* Entries of a saved list: kind, side and places. */
function savedEntries(name, text) {
  if (/\.csv$/i.test(name)) return csvEntries(text);
  const data = JSON.parse(text.replace(/^\ufeff/, ""));
  if (data.type !== "FeatureCollection" || !Array.isArray(data.features)) throw new Error("no FeatureCollection");
  return data.features.map(({ properties, geometry }) => ({ kind: properties.kind, side: properties.side, places: placesOf(properties, geometry) }));
}

function placesOf(properties, geometry) {
  if (properties.kind === "bank" && geometry && geometry.type === "MultiLineString") return spread(geometry.coordinates[0].map(([lng, lat]) => worldPlace(lat, lng)));
  return [worldPlace(Number(properties.latitude), Number(properties.longitude))];
}

/* Places evenly along a line. */
function spread(line) {
  const shapes = { x: line.map((p) => p[0]), y: line.map((p) => p[1]), first: [0, 1], begin: [0, line.length] };
  return Array.from({ length: SAMPLES }, (_, k) => along(shapes, 0, k / (SAMPLES - 1)));
}

function csvEntries(text) {
  const [heads, ...rows] = csvRows(text.replace(/^\ufeff/, "")), at = (name) => heads.indexOf(name);
  if (!["kind", "latitude", "longitude"].every((name) => at(name) >= 0)) throw new Error("columns are missing");
  return rows.filter((row) => row.length > 1).map((row) => ({ kind: row[at("kind")], side: row[at("side")], places: [worldPlace(Number(row[at("latitude")]), Number(row[at("longitude")]))] }));
}

function csvRows(text) {
  const rows = [[""]];
  let quoted = false;
  for (let k = 0; k < text.length; k++) {
    const c = text[k], row = rows[rows.length - 1];
    if (quoted && c === '"' && text[k + 1] === '"') { row[row.length - 1] += '"'; k++; }
    else if (c === '"') quoted = !quoted;
    else if (!quoted && c === ",") row.push("");
    else if (!quoted && c === "\n") rows.push([""]);
    else if (quoted || c !== "\r") row[row.length - 1] += c;
  }
  return rows;
}

function worldPlace(lat, lng) {
  if (!Number.isFinite(lat) || !Number.isFinite(lng)) throw new Error("a place is no number");
  return [lng / 360 + 0.5, 0.5 - Math.asinh(Math.tan((lat * Math.PI) / 180)) / (2 * Math.PI)];
}

/* The entry of this map at a saved one's place; null where at least half of it has no partner. */
function matched(world, saved) {
  const votes = new Map(), near = NEAR_M / 40075016.686;
  for (const [x, y] of saved.places) {
    const row = saved.kind === "bank" ? bankAt(world, x, y, saved.side, near * Math.cosh(Math.PI * (1 - 2 * y))) : areaAt(world, saved.kind, x, y);
    if (row >= 0) votes.set(row, (votes.get(row) || 0) + 1);
  }
  const [best] = [...votes].sort((a, b) => b[1] - a[1] || a[0] - b[0]);
  return best && 2 * best[1] >= saved.places.length ? { kind: saved.kind, row: best[0] } : null;
}

function bankAt(world, x, y, side, near) {
  const shapes = world.reaches.shapes;
  let best = -1, least = near * near;
  for (let i = 0; i < shapes.count; i++) {
    const b = 4 * i, box = shapes.box;
    if (x < box[b] - near || x > box[b + 2] + near || y < box[b + 1] - near || y > box[b + 3] + near) continue;
    for (let run = shapes.first[i]; run < shapes.first[i + 1]; run++) {
      const line = [];
      for (let k = shapes.begin[run]; k < shapes.begin[run + 1]; k++) line.push(shapes.x[k], shapes.y[k]);
      const d = distance2(line, x, y);
      if (d <= least) { least = d; best = i; }
    }
  }
  if (best < 0) return -1;
  const found = world.banksOf[best].find((bank) => ["left", "right"][world.banks.side[bank]] === side);
  return found === undefined ? -1 : found;
}

function areaAt(world, kind, x, y) {
  const table = kind === "site" ? world.sites : kind === "property" ? world.properties : null;
  if (!table) return -1;
  for (let i = 0; i < table.shapes.count; i++) if (holds(table.shapes, i, x, y)) return i;
  return -1;
}

function listenPicks(world, state, app) {
  byId("save-csv").addEventListener("click", () => download("my-list.csv", "text/csv", `\ufeff${listCsv(world, state)}`));
  byId("save-geojson").addEventListener("click", () => download("my-list.geojson", "application/geo+json", listGeojson(world, state)));
  byId("open-list").addEventListener("click", () => byId("open-file").click());
  byId("open-file").addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (file) openList(world, state, app, file.name, await file.text());
    event.target.value = "";
  });
}

function openList(world, state, app, name, text) {
  let saved;
  try { saved = savedEntries(name, text); } catch (error) {
    byId("pick-says").textContent = "This file is not a list that was saved from such a map. Wanted: a CSV or GeoJSON file of My list. Nothing was changed.";
    return;
  }
  const found = saved.map((one) => matched(world, one)).filter(Boolean), lost = saved.length - found.length;
  app.setPicks([...state.picks, ...found]);
  const rest = lost ? `; ${lost} ${lost === 1 ? "has" : "have"} no partner at the same place` : "";
  byId("pick-says").textContent = `${found.length} of ${saved.length} found on this map by their place${rest}.`;
}
