/* The map for everybody: parts of the watershed by how much of their banks lacks its strip. */

const FINEST_ZOOM = 14;
const COVERS = {
  woody: "trees and shrubs", wetland: "wetland plants", herbaceous: "grasses and herbs", pasture: "pasture", crop: "crops",
  bare: "bare ground", developed: "built-up ground", water: "water", other: "other cover",
};

const byId = (id) => document.getElementById(id);
const narrow = () => window.matchMedia("(max-width: 47.5em)").matches;
const still = () => ({ animate: !window.matchMedia("(prefers-reduced-motion: reduce)").matches });

function quantity(world, value, unit) {
  if (Number.isNaN(value)) return "not known";
  const [factor, name] = world.about.units[unit], shown = value * factor;
  return `${plain(shown, Math.abs(shown) < 100 && unit !== "m" ? 1 : 0)}\u00a0${name}`;
}

/* A length and the whole it is of, with the same decimals. */
function partOf(world, some, whole) {
  const [factor, name] = world.about.units.km, most = whole * factor < 100 ? 1 : 0;
  return `${plain(some * factor, most)} of ${plain(whole * factor, most)}\u00a0${name}`;
}

function percent(share) {
  return Number.isNaN(share) ? "not known" : `${plain(100 * share, 0)}\u00a0%`;
}

function joined(words) {
  return words.length < 2 ? words.join("") : `${words.slice(0, -1).join(", ")} or ${words[words.length - 1]}`;
}

function makeWorld(data) {
  const world = { ...data, streams: columns(data.streams), parts: columns(data.parts), total: columns(data.total) };
  world.count = world.parts.name.length;
  world.whole = world.count < 2;
  world.rowsOf = Array.from({ length: world.count }, () => []);
  world.streams.part.forEach((part, row) => { if (part >= 0) world.rowsOf[part].push(row); });
  const missing = (part) => (Number.isNaN(world.parts.missing[part]) ? -1 : world.parts.missing[part]);
  const told = world.parts.told;
  world.order = [...told.keys()].sort((a, b) => told[b] - told[a] || missing(b) - missing(a) || a - b);
  return world;
}

/* ---- the panel */

function fillHead(world) {
  const about = world.about;
  document.title = `${about.title}: streams and their banks`;
  byId("title").textContent = about.title;
  byId("subtitle").textContent = "How the banks of its streams are doing";
  if (about.date) byId("subtitle").append(", ", element("span", "date", `run of ${about.date}`));
  byId("caution").textContent = about.caution;
  if (!about.contact) return;
  byId("contact").textContent = about.contact;
  byId("contact").hidden = false;
}

function fillHeadline(world) {
  const total = world.total, some = world.parts.told.includes(0) && world.parts.told.includes(1);
  if (Number.isNaN(total.bank_km[0])) {
    byId("headline").append(element("p", "", world.count ? "No totals can be shown without telling of a single property." : "No stream bank was looked at."));
    return;
  }
  const where = some ? "stream banks in the parts shown" : "stream banks looked at", share = total.missing[0];
  if (Number.isNaN(share)) {
    byId("headline").append(element("p", "", `Of ${quantity(world, total.bank_km[0], "km")} of ${where} it is not known how much lacks its strip of plants: the cover map is too coarse.`));
  } else {
    byId("headline").append(element("p", "big", percent(share)));
    byId("headline").append(element("p", "", `of the ${where} lack the strip of plants that protects them: ${partOf(world, total.gap_km[0], total.known_km[0])}.`));
  }
  if (!Number.isNaN(total.erode[0])) byId("headline").append(element("p", "more", `${percent(total.erode[0])} of their length is likely to erode.`));
}

function fillTable(world, app) {
  byId("list").hidden = !world.count;
  if (world.whole) byId("table-where").textContent = "Where";
  byId("table-says").textContent = world.whole ? "In numbers" : "Part by part, those that lack most first";
  byId("rows").replaceChildren(...world.order.map((part) => partRow(world, part, app)));
  const told = world.order.filter((part) => world.parts.told[part]);
  if (!world.whole && told.length > 1) {
    const row = element("tr"), head = element("th", "", told.length < world.count ? "All parts shown" : "Whole watershed");
    head.scope = "row";
    row.append(head, missingCell(world, world.total, 0), element("td", "", percent(world.total.erode[0])));
    byId("sum").append(row);
  }
  if (told.length === world.count) return;
  byId("withheld").hidden = false;
  byId("withheld").textContent = "Not shown: too few properties along the banks, or one of them makes up most. Not counted in any total.";
}

function partRow(world, part, app) {
  const row = element("tr", "row"), head = element("th"), go = element("button", "go"), parts = world.parts;
  row.dataset.part = part;
  head.scope = "row";
  go.type = "button";
  go.append(foreign("span", "name", parts.name[part]), gauge(world, part));
  go.addEventListener("click", () => app.select(part, true));
  go.addEventListener("focus", () => app.look(part));
  go.addEventListener("blur", () => app.look(-1));
  row.addEventListener("mouseenter", () => app.look(part));
  row.addEventListener("mouseleave", () => app.look(-1));
  row.addEventListener("click", (event) => { if (!event.target.closest(".go")) app.select(part, true); });
  head.append(go);
  const untold = element("td", "untold", "not shown");
  untold.colSpan = 2;
  row.append(head, ...(parts.told[part] ? [missingCell(world, parts, part), element("td", "", percent(parts.erode[part]))] : [untold]));
  return row;
}

/* A bar as long as the share, in the colour the part has on the map. */
function gauge(world, part) {
  const bar = element("span", "gauge"), fill = element("i"), at = world.parts.class[part];
  bar.setAttribute("aria-hidden", "true");
  if (at < 0) bar.classList.add("none");
  else {
    fill.style.width = `${Math.max(1, 100 * world.parts.missing[part])}%`;
    fill.style.background = world.classes[at].colour;
  }
  bar.append(fill);
  return bar;
}

function missingCell(world, table, row) {
  const cell = element("td"), known = !Number.isNaN(table.missing[row]);
  cell.append(element("b", "", percent(table.missing[row])));
  if (known) cell.append(element("small", "", partOf(world, table.gap_km[row], table.known_km[row])));
  return cell;
}

function fillWords(world) {
  const about = world.about, m = (value) => quantity(world, value, "m"), range = about.setback_m;
  const width = !range ? "" : range[0] === range[1] ? m(range[0]) : `${m(range[0])} to ${m(range[1])}`;
  const most = plain(100 * about.most_share, 0);
  const shown = [
    "A bank is one side of a stream: a stream has twice as much bank as length.",
    `A bank lacks its strip where ${joined(about.counts.map((word) => COVERS[word]))} do not reach the width looked for${width ? `: ${width} from the bank line outward` : ""}.`,
    "Likely to erode means that the water is strong or the bank weak there, as far as maps tell. Nobody has been to every bank.",
    "Standing water, pipes and other streams that were not judged are drawn thin and not counted.",
  ];
  const sums = {
    parts: [
      `Totals are given for parts of the watershed with at least ${about.fewest} properties along their banks; smaller ones were put together with a neighbour. Where one property makes up more than ${most} % of the banks, or of what they lack, nothing is given. Properties were counted, not owners.`,
      "The total is of the parts shown, so nothing can be found out by taking one number from another.",
    ],
    whole: [`Totals are given for the whole watershed only, as at least ${about.fewest} properties lie along its banks and none makes up more than ${most} % of them; which part each lies in was not at hand.`],
    unknown: ["Totals are given for the whole watershed only: no properties were given, so it is not known how many lie along the banks of a part."],
  };
  const hidden = [
    "No property, no owner and no single stretch of bank: none of them is in this file.",
    ...(about.told_by === "whole" && !world.parts.told.includes(1) ? [`Totals: fewer than ${about.fewest} properties lie along the banks, or one makes up more than ${most} % of them.`] : sums[about.told_by]),
    `Streams are drawn coarsely, up to about ${m(about.line_m)} beside their course.`,
    "A strip that is missing is no proof that anybody broke a rule.",
  ];
  const keys = ["Tab goes from part to part of the page, and the arrow keys, Home and End from row to row of the table; Enter shows a part on the map, Escape leaves it. On the map, arrows move and + and - zoom."];
  byId("words").append(wordBlock("What it shows", shown), wordBlock("What it does not show", hidden), wordBlock("By keyboard", keys));
}

function wordBlock(title, lines) {
  const list = element("ul");
  list.append(...lines.map((text) => element("li", "", text)));
  return element("section", title === "By keyboard" ? "keys" : "", element("h2", "", title), list);
}

/* ---- the card of a part */

function fillCard(world, part) {
  const parts = world.parts, body = byId("card-body");
  body.replaceChildren(foreign("h2", "", parts.name[part]));
  if (!parts.told[part]) {
    body.append(element("p", "", "Its totals are not shown: too few properties lie along its banks, or one of them makes up most, so they would tell of a single property."));
    return;
  }
  const facts = element("dl"), gap = Number.isNaN(parts.missing[part]) ? "not known" : `${quantity(world, parts.gap_km[part], "km")}, ${percent(parts.missing[part])}`;
  const rows = [["Banks looked at", quantity(world, parts.bank_km[part], "km")], ["Lack their strip", gap], ["Ground to plant", quantity(world, parts.gap_ha[part], "ha")], ["Likely to erode", percent(parts.erode[part])]];
  for (const [name, value] of rows) facts.append(element("dt", "", name), element("dd", "", value));
  body.append(facts, ...needs(world, part));
}

/* Banks by what they need, as one bar and its key. */
function needs(world, part) {
  const shares = world.needs.map((one) => world.parts[one.need][part]);
  if (shares.some(Number.isNaN)) return [];
  const bar = element("div", "stack"), key = element("ul", "key");
  bar.setAttribute("aria-hidden", "true");
  world.needs.forEach((one, i) => {
    const piece = element("i"), chip = element("i");
    piece.style.width = `${100 * shares[i]}%`;
    piece.style.background = chip.style.background = one.colour;
    if (shares[i] > 0) bar.append(piece);
    key.append(element("li", "", chip, element("span", "", NEED_SAYS[one.need]), element("span", "", percent(shares[i]))));
  });
  return [element("h3", "", "Banks by their worst stretch"), bar, key];
}

const NEED_SAYS = { both: "likely to erode, lacks its strip", erosion_only: "likely to erode only", gap_only: "lacks its strip only", none: "neither" };

/* ---- legend */

function fillLegend(world) {
  const rows = world.classes.map((one, at) => [one.says, swatch(one.colour, WIDTHS[at], true)]);
  const items = rows.filter(() => world.parts.class.some((at) => at >= 0)).map(([says, drawing]) => element("li", "", drawing, element("span", "", says)));
  if (world.parts.class.some((at, part) => at < 0 && world.parts.told[part])) items.push(element("li", "", swatch(UNTOLD, 2.6, false, "1 6"), element("span", "", "not known")));
  if (world.parts.told.includes(0)) items.push(element("li", "", swatch(UNTOLD, 2.6, false, "1 6"), element("span", "", "not shown")));
  if (world.streams.part.includes(-1)) items.push(element("li", "", swatch(UNSEEN, 1.6, false), element("span", "", "not looked at")));
  byId("classes").replaceChildren(...items);
}

function swatch(colour, width, cased, dash = "") {
  const line = (stroke, wide, dashes) => drawn("path", { d: "M4 10 C12 3 22 15 32 7", fill: "none", stroke, "stroke-width": wide, "stroke-linecap": "round", "stroke-dasharray": dashes });
  const lines = cased ? [line(CASING, width + 2, ""), line(colour, width, "")] : [line(colour, width, dash)];
  return drawn("svg", { width: 36, height: 18, "aria-hidden": "true" }, ...lines);
}

function addShadeSwitch(map, world) {
  const shade = window.hillshade_watershed;
  if (!shade) return;
  const times = world.about.exaggeration;
  byId("shade-switch").hidden = false;
  if (times > 1) byId("shade-says").textContent = `Hillshade, heights \u00d7${times}`;
  byId("shade").addEventListener("change", (event) => { if (event.target.checked) shade.addTo(map); else shade.remove(); });
}

function addControls(map, world) {
  const us = world.about.system === "us", north = L.control({ position: "bottomright" });
  L.control.zoom({ position: "topleft" }).addTo(map);
  L.control.scale({ position: "bottomright", metric: !us, imperial: us, maxWidth: 140 }).addTo(map);
  north.onAdd = () => element("div", "north", drawn("svg", { width: 18, height: 22, role: "img", "aria-label": "North is up" }, drawn("path", { d: "M9 1 L16 20 L9 15.5 L2 20 Z", fill: "#1d2733" })), element("span", "", "N"));
  north.addTo(map);
}

/* ---- what happens on a click, a key, on paper */

function makeApp(map, world, state) {
  const app = {
    look(part) {
      state.looked = part;
      for (const row of document.querySelectorAll("#rows .row")) row.classList.toggle("looked", Number(row.dataset.part) === part);
      styleParts(map, state);
    },
    select(part, zoom) {
      state.selected = part;
      for (const row of document.querySelectorAll("#rows .row")) {
        if (Number(row.dataset.part) === part) row.setAttribute("aria-current", "true");
        else row.removeAttribute("aria-current");
      }
      byId("card").hidden = part < 0;
      if (part >= 0) {
        fillCard(world, part);
        byId("live").textContent = byId("card-body").innerText;
        if (!zoom) document.querySelector('#rows .row[aria-current="true"]').scrollIntoView({ block: "nearest" });
        if (zoom && narrow()) map.getContainer().scrollIntoView();
        if (zoom) map.fitBounds(boundsOf(world.streams.shapes, world.rowsOf[part]), { ...room(true), ...still(), maxZoom: 13 });
      }
      styleParts(map, state);
    },
  };
  return app;
}

/* Free room around what is shown: legend and card lie on the map where it is wide. */
function room(card) {
  return byId("map_watershed").clientWidth < 700 || narrow()
    ? { paddingTopLeft: [40, 24], paddingBottomRight: [30, 40] } : { paddingTopLeft: [265, 30], paddingBottomRight: [card ? 335 : 70, 40] };
}

function listen(map, world, state, app) {
  byId("rows").addEventListener("keydown", (event) => {
    const all = [...document.querySelectorAll("#rows .go")], at = all.indexOf(document.activeElement);
    const next = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: all.length - 1 }[event.key];
    if (next === undefined || at < 0) return;
    event.preventDefault();
    if (all[next]) all[next].focus();
  });
  const close = () => {
    const part = state.selected, inside = byId("card").contains(document.activeElement);
    app.select(-1, false);
    if (inside) document.querySelector(`#rows .row[data-part="${part}"] .go`).focus();
  };
  byId("card-close").addEventListener("click", close);
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && state.selected >= 0) close(); });
  map.on("click", () => { if (state.selected >= 0) close(); });
  map.on("zoomend", () => styleParts(map, state));
  map.on("moveend", () => placeNames(map, state.places, state.names));
}

/* A sheet of A4 or Letter: what the map shows, at most all streams, at the size it has on paper; nothing stands out. */
function listenPrint(map, state) {
  let before = null;
  const turn = (on) => {
    state.printing = on;
    document.documentElement.classList.toggle("printing", on);
    map.invalidateSize({ animate: false, pan: false });
  };
  window.addEventListener("beforeprint", () => {
    if (before) return;
    const whole = state.all && map.getBounds().contains(state.all), wide = map.getSize().x;
    before = { centre: map.getCenter(), zoom: map.getZoom() };
    turn(true);
    if (whole) map.fitBounds(state.all, { animate: false, padding: [10, 10] });
    else map.setView(before.centre, before.zoom + Math.log2(map.getSize().x / wide), { animate: false });
    styleParts(map, state);
  });
  window.addEventListener("afterprint", () => {
    if (!before) return;
    turn(false);
    map.setView(before.centre, before.zoom, { animate: false });
    styleParts(map, state);
    before = null;
  });
  byId("print").addEventListener("click", () => window.print());
}

function begin(data) {
  const map = window.map_watershed, world = makeWorld(data), shapes = world.streams.shapes;
  const state = { looked: -1, selected: -1, printing: false, drawn: [], places: nameplaces(world), names: L.layerGroup(), all: null };
  const app = makeApp(map, world, state);
  fillHead(world);
  fillHeadline(world);
  fillTable(world, app);
  fillWords(world);
  fillLegend(world);
  map.setMaxZoom(FINEST_ZOOM);
  if (shapes.count) {
    state.all = boundsOf(shapes, [...Array(shapes.count).keys()]);
    map.fitBounds(state.all, { ...room(false), animate: false });
  }
  map.setMinZoom(Math.max(0, map.getZoom() - 2));
  state.drawn = drawParts(map, world, app);
  state.names.addTo(map);
  addControls(map, world);
  addShadeSwitch(map, world);
  styleParts(map, state);
  placeNames(map, state.places, state.names);
  listen(map, world, state, app);
  listenPrint(map, state);
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
  document.documentElement.dataset.ready = "yes";
}

if (typeof DecompressionStream === "undefined") {
  byId("trouble").textContent = "This browser is too old to open the data of this map. A current Firefox, Chrome, Edge or Safari shows it.";
  byId("trouble").hidden = false;
} else {
  unpack(byId("payload").textContent).then(begin);
}
