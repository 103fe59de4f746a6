/* The state of the page in its address: view, colours, layers, weights, filter, list and what is selected. */

const round = (value, digits) => Math.round(value * 10 ** digits) / 10 ** digits;

/* State as the part of an address after #; only what differs from the start is told. */
function hashOf(world, state, map) {
  const at = map.getCenter(), parts = new URLSearchParams(), first = makeState(world);
  parts.set("at", [round(at.lat, 5), round(at.lng, 5), round(map.getZoom(), 2)].join(","));
  if (state.order) parts.set("by", String(state.order));
  if (state.list !== first.list) parts.set("table", state.list);
  if (state.wide) parts.set("wide", "1");
  const off = Object.keys(first.show).filter((key) => state.show[key] !== first.show[key]);
  if (off.length) parts.set("turned", off.join(","));
  const sorted = Object.keys(first.sort).filter((kind) => JSON.stringify(state.sort[kind]) !== JSON.stringify(first.sort[kind]));
  if (sorted.length) parts.set("sort", sorted.map((kind) => `${kind}.${state.sort[kind].key}.${state.sort[kind].down ? "down" : "up"}`).join(","));
  if (state.selected) parts.set("on", entryWord(world, state.selected));
  if (world.moved) parts.set("weights", [state.choice.combine, state.choice.erosion, state.choice.gap, ...state.choice.factors].join(","));
  if (isFilter(state.filter)) parts.set("filter", JSON.stringify(changedOnly(state.filter)));
  if (state.picks.length) parts.set("list", state.picks.map((one) => entryWord(world, one)).join(" "));
  return `#${parts.toString()}`;
}

function changedOnly(filter) {
  const none = noFilter();
  return Object.fromEntries(Object.entries(filter).filter(([key, value]) => JSON.stringify(value) !== JSON.stringify(none[key])));
}

/* An entry by kind and id; rows stand for properties without ids. */
function entryWord(world, { kind, row }) {
  const ids = { bank: world.banks.id, property: world.properties.id, site: world.sites && world.sites.id }[kind];
  return `${kind[0]}:${encodeURIComponent(ids ? ids[row] : row)}`;
}

function entryOf(world, word) {
  const kind = { b: "bank", p: "property", s: "site" }[word[0]], count = kind ? countOf(world, kind) : 0;
  if (!count || word[1] !== ":") return null;
  let id;
  try { id = decodeURIComponent(word.slice(2)); } catch (error) { return null; }
  const ids = { bank: world.banks.id, property: world.properties.id, site: world.sites && world.sites.id }[kind];
  const row = ids ? ids.indexOf(id) : Number(id);
  return Number.isInteger(row) && row >= 0 && row < count ? { kind, row } : null;
}

/* Put what an address tells into the state; what cannot be read is left as it is. */
function readHash(world, state, text) {
  const parts = new URLSearchParams(text.replace(/^#/, "")), number = (word) => (word !== "" && Number.isFinite(Number(word)) ? Number(word) : null);
  const by = number(parts.get("by") || ""), at = (parts.get("at") || "").split(",").map(number);
  if (Number.isInteger(by) && by >= 0 && by < colourings(world).length && colourings(world)[by][1]) state.order = by;
  if (["bank", "property", "site", "pick"].includes(parts.get("table"))) state.list = parts.get("table");
  state.wide = parts.get("wide") === "1";
  for (const key of (parts.get("turned") || "").split(",")) if (Object.hasOwn(state.show, key)) state.show[key] = !state.show[key];
  for (const word of (parts.get("sort") || "").split(",")) {
    const [kind, key, way] = word.split(".");
    if (Object.hasOwn(state.sort, kind) && TABLES[kind].some((one) => one.key === key)) state.sort[kind] = { key, down: way === "down" };
  }
  const weights = (parts.get("weights") || "").split(","), values = weights.slice(1).map(number);
  if (!world.about.part && Object.hasOwn(COMBINE, weights[0]) && values.length === 2 + world.factors.length && values.every((value) => value !== null && value >= 0)) {
    state.choice = { combine: weights[0], erosion: values[0], gap: values[1], factors: values.slice(2) };
  }
  state.filter = readFilter(parts.get("filter"));
  state.picks = (parts.get("list") || "").split(" ").map((word) => entryOf(world, word)).filter(Boolean);
  state.selected = entryOf(world, parts.get("on") || "");
  return at.length === 3 && at.every((value) => value !== null) && Math.abs(at[0]) <= 85 && Math.abs(at[1]) <= 180 ? at : null;
}

function readFilter(text) {
  const none = noFilter();
  try {
    const given = JSON.parse(text || "{}");
    for (const [key, value] of Object.entries(given)) {
      const like = key === "needs" ? Array.isArray(value) && value.every((word) => typeof word === "string") : ["rank", "length", "gap", "sure", "order"].includes(key) ? typeof value === "number" : typeof value === "string";
      if (Object.hasOwn(none, key) && like) none[key] = value;
    }
  } catch (error) { return noFilter(); }
  return none;
}

/* Write the address now and then, not at every pixel of a move. */
function keepPlace(world, state, map) {
  let waiting = 0;
  return () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => {
      const text = hashOf(world, state, map);
      state.hash = text;
      try { history.replaceState(null, "", text); } catch (error) { location.replace(text); }
    }, 250);
  };
}
