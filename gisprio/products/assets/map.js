/* Start: data, map, and what happens on a click, a key or a choice. */

function makeWorld(data) {
  const world = { about: data.about, orders: data.orders, needs: data.needs, colours: data.colours };
  for (const name of ["reaches", "banks", "gaps", "properties", "profiles"]) world[name] = columns(data[name]);
  for (const name of ["frontages", "sites", ...SYMBOLS.map((one) => one.key)]) world[name] = data[name] ? columns(data[name]) : null;
  world.setbacks = data.setbacks.map(columns);
  world.factors = data.factors.map((factor) => readFactor(columns(factor)));
  world.banksOf = Array.from({ length: world.reaches.shapes.count }, () => []);
  world.banks.reach.forEach((reach, bank) => world.banksOf[reach].push(bank));
  world.profiles.begin = sums(world.profiles.stream);
  world.coarse = world.banks.gap_length_m.every((metres) => Number.isNaN(metres));
  world.streams = streamsOf(world.reaches);
  world.run = { choice: runChoice(world) };
  world.run.now = ranksOfRun(world);
  world.now = world.run.now;
  world.moved = false;
  world.classes = [];
  return world;
}

function readFactor(factor) {
  return { ...factor, whole: thousandths(factor.score), wholeWorst: thousandths(factor.worst) };
}

/* Scores as whole numbers of 0 to 1000; -1 where there is none. */
function thousandths(scores) {
  return Int16Array.from(scores, (value) => (Number.isNaN(value) ? -1 : Math.round(10 * value)));
}

/* Scores and ranks as the run gave them. */
function ranksOfRun(world) {
  const banks = world.banks, needs = world.needs.map((one) => one.need);
  const now = { need: Int8Array.from(banks.reach, (_, i) => needs.indexOf(banks.need(i))) };
  for (const name of ["erosion_score", "gap_score", "priority", "rank", "erosion_rank", "gap_rank"]) now[name] = banks[name];
  now.property = { priority: world.properties.priority, rank: world.properties.rank, kept: false };
  return { ...now, ...shares(world, world.run.choice) };
}

function makeState(world) {
  const show = { banks: true, names: true, gaps: true, properties: true, shade: true, tiles: false };
  for (const { key } of SYMBOLS) show[key] = key !== "constraints";
  const sort = { bank: { key: "rank", down: false }, property: { key: "rank", down: false }, site: { key: "rank", down: false } };
  const kept = { bank: null, property: null, site: null };
  return { order: 0, list: "bank", selected: null, show, sort, shown: PAGE, wide: false, kept, filter: noFilter(), choice: world.run.choice, picks: [], hash: "" };
}

function addControls(map, world) {
  const us = world.about.system === "us";
  L.control.zoom({ position: "topleft" }).addTo(map);
  const whole = L.control({ position: "topleft" });
  whole.onAdd = () => wholeButton(map, world);
  whole.addTo(map);
  L.control.scale({ position: "bottomright", metric: !us, imperial: us, maxWidth: 140 }).addTo(map);
  const north = L.control({ position: "bottomright" });
  north.onAdd = northArrow;
  north.addTo(map);
}

/* A button that shows the whole watershed again. */
function wholeButton(map, world) {
  const box = element("div", "leaflet-bar"), button = element("a", "whole", "\u2922"), shapes = world.reaches.shapes;
  button.href = "#";
  button.setAttribute("role", "button");
  button.setAttribute("aria-label", "Show the whole watershed");
  button.title = "Show the whole watershed";
  L.DomEvent.disableClickPropagation(box);
  button.addEventListener("click", (event) => {
    event.preventDefault();
    map.fitBounds(boundsOf(shapes, shapes.box.length ? [...Array(shapes.count).keys()] : []), firstRoom());
  });
  box.append(button);
  return box;
}

function northArrow() {
  const box = element("div", "north");
  const arrowhead = drawn("path", { d: "M9 1 L16 20 L9 15.5 L2 20 Z", fill: "#1d2733" });
  box.append(drawn("svg", { width: 18, height: 22, role: "img", "aria-label": "North is up" }, arrowhead), element("span", "", "N"));
  return box;
}

function shadeLayer() {
  return window.hillshade_watershed || null;
}

/* Online tiles: asked for only when the reader ticks them. */
function tileLayer(world) {
  const [address, credit] = world.about.tiles, layer = L.tileLayer(address, { maxZoom: 20, className: "tiles" });
  layer.on("add", () => announce(`Online map, ${credit || "no credit given"}`));
  return layer;
}

/* Everything that changes what is seen goes through here. */
function makeApp(map, world, state, painting) {
  let tiles = null, asked = 0;
  const keep = keepPlace(world, state, map);
  const refresh = () => {
    world.classes = [];
    state.kept = keptBy(world, state.filter);
    fillClasses(world, state);
    fillTable(world, state);
    if (state.selected) fillCard(world, state, state.selected);
    showFilterState(world, state);
    painting.paint();
    keep();
  };
  const app = {
    keep,
    refresh,
    select(chosen, zoom) {
      state.selected = chosen;
      byId("card").hidden = !chosen;
      if (chosen) fillCard(world, state, chosen);
      if (chosen && chosen.kind !== state.list && state.list !== "pick") app.showList(chosen.kind);
      else markRow(state);
      if (chosen) app.goTo(chosen, zoom);
      painting.paint();
      keep();
    },
    goTo(chosen, zoom) {
      const [shapes, row] = shapeOf(world, chosen), bounds = boundsOf(shapes, [row]);
      if (zoom && narrow()) window.scrollTo(0, 0);
      if (zoom) map.fitBounds(bounds, { ...room(), maxZoom: 16.5 });
      else if (!map.getBounds().contains(bounds.getCenter())) map.panTo(bounds.getCenter());
    },
    goToReaches(reaches, name) {
      map.fitBounds(boundsOf(world.reaches.shapes, reaches), { ...room(), maxZoom: 16.5 });
      announce(`${name}, ${plain(reaches.length, 0)} reaches`);
    },
    showList(kind) {
      state.list = kind;
      state.shown = PAGE;
      fillTabs(world, state);
      fillTable(world, state);
      keep();
    },
    sort(key) {
      const own = state.sort[state.list], column = TABLES[state.list].find((one) => one.key === key);
      state.sort[state.list] = { key, down: own.key === key ? !own.down : Boolean(column.down) };
      fillTable(world, state);
      document.querySelector(`#heads .sort[data-key="${key}"]`).focus();
      announce(byId("list-says").textContent);
      keep();
    },
    more() {
      state.shown += PAGE;
      fillTable(world, state);
    },
    widen(on) {
      state.wide = on;
      fillTabs(world, state);
      fillTable(world, state);
      keep();
    },
    order(place) {
      state.order = place;
      fillClasses(world, state);
      painting.paint();
      keep();
    },
    show(key, on) {
      state.show[key] = on;
      const shade = shadeLayer();
      if (key === "shade" && shade) { if (on) shade.addTo(map); else shade.remove(); }
      else if (key === "tiles") { tiles = tiles || tileLayer(world); if (on) tiles.addTo(map); else tiles.remove(); }
      else { fillClasses(world, state); painting.paint(); }
      keep();
    },
    weigh(choice) {
      state.choice = choice;
      if (asked) return;
      asked = requestAnimationFrame(() => {
        asked = 0;
        weigh(world, state);
        refresh();
        showWeightState(world, state);
        announce(weightNews(world, state));
      });
    },
    filter(filter) {
      state.filter = filter;
      state.shown = PAGE;
      refresh();
      announce(showFilterState(world, state));
    },
    pick(chosen) {
      const on = isPicked(state, chosen);
      app.setPicks(on ? state.picks.filter((one) => one.kind !== chosen.kind || one.row !== chosen.row) : [...state.picks, chosen]);
      announce(on ? "Removed from my list" : `Added to my list: ${state.picks.length} there now`);
    },
    setPicks(picks) {
      state.picks = picks.filter((one, i) => picks.findIndex((other) => other.kind === one.kind && other.row === one.row) === i);
      fillTabs(world, state);
      if (state.list === "pick") fillTable(world, state);
      if (state.selected) markPick(state, state.selected);
      keep();
    },
  };
  return app;
}

/* What a move of the weights did, in a sentence. */
function weightNews(world, state) {
  if (!world.moved) return "Ranks of the run";
  if (state.selected && state.selected.kind === "bank" && world.now.rank[state.selected.row] > 0) return `The selected bank now has rank ${plain(world.now.rank[state.selected.row], 0)}`;
  const first = world.now.rank.indexOf(1);
  return first < 0 ? "No bank is ranked" : `First is now ${nameOf(world, first)}, ${sideWord(world, first)}`;
}

function firstRoom() {
  const left = window.innerWidth > 1100 ? 300 : 50;
  return { paddingTopLeft: [left, 30], paddingBottomRight: [narrow() ? 30 : 60, 40] };
}

/* Free room around what is zoomed to: the card and the legend lie on the map where it is wide. */
function room() {
  return narrow() || byId("map_watershed").clientWidth < 700
    ? { paddingTopLeft: [50, 30], paddingBottomRight: [30, 50] }
    : { paddingTopLeft: [270, 40], paddingBottomRight: [370, 40] };
}

function listenMap(map, state, painting, app) {
  const coarse = window.matchMedia("(pointer: coarse)").matches;
  let looking = 0;
  map.on("click", (event) => {
    const found = painting.find(event.containerPoint, coarse ? 16 : 9);
    if (found || state.selected) app.select(found, false);
  });
  map.on("moveend", () => { markScale(painting.last); app.keep(); });
  map.on("mousemove", (event) => {
    if (looking || (map.dragging.moving && map.dragging.moving())) return;
    looking = requestAnimationFrame(() => {
      looking = 0;
      if (painting.drawn.length < 8000) map.getContainer().classList.toggle("pointing", painting.find(event.containerPoint, 7) !== null);
    });
  });
}

function listenCard(state, app) {
  byId("card-close").addEventListener("click", () => closeCard(app));
  byId("card-pick").addEventListener("click", () => app.pick(state.selected));
  byId("card-zoom").addEventListener("click", () => app.goTo(state.selected, true));
  byId("card-body").addEventListener("click", (event) => {
    const link = event.target.closest(".link");
    if (link) { app.select({ kind: link.dataset.kind, row: Number(link.dataset.row) }, true); byId("card-close").focus(); }
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && state.selected && !byId("help").open) closeCard(app);
  });
}

function closeCard(app) {
  const inside = byId("card").contains(document.activeElement);
  app.select(null, false);
  const row = document.querySelector('#rows .go[tabindex="0"]');
  if (inside) (row || byId("tab-bank")).focus();
}

function listenTools(world, state, app) {
  byId("weights-back").addEventListener("click", () => {
    state.choice = world.run.choice;
    fillWeights(world, state, app.weigh);
    app.weigh(world.run.choice);
  });
  byId("filters-clear").addEventListener("click", () => {
    app.filter(noFilter());
    fillFilters(world, state, app.filter);
  });
}

/* Make everything on the page say what the state holds. */
function showState(map, world, state, app) {
  weigh(world, state);
  markOrder(state);
  markLayers(state);
  fillTabs(world, state);
  fillWeights(world, state, app.weigh);
  fillFilters(world, state, app.filter);
  byId("card").hidden = !state.selected;
  app.refresh();
  showWeightState(world, state);
  for (const key of ["shade", "tiles"]) if ((key === "shade") !== state.show[key]) app.show(key, state.show[key]);
  byId("weights-box").open = world.moved;
  byId("filters-box").open = isFilter(state.filter);
}

function begin(data) {
  const map = window.map_watershed, world = makeWorld(data), state = makeState(world);
  const at = readHash(world, state, location.hash), shapes = world.reaches.shapes, whole = [...Array(shapes.count).keys()];
  if (shapes.count) map.fitBounds(boundsOf(shapes, whole), { ...firstRoom(), animate: false });
  map.setMinZoom(Math.max(0, map.getZoom() - 2));
  const near = shapes.count && at && boundsOf(shapes, whole).pad(1).contains(L.latLng(at[0], at[1]));
  if (near) map.setView([at[0], at[1]], at[2], { animate: false });
  const painting = new Painting(world, state).addTo(map), app = makeApp(map, world, state, painting);
  addControls(map, world);
  if (narrow()) byId("legend-box").open = false;
  fillPanel(world);
  fillHelp(world);
  fillOrders(world, state, app.order);
  fillLayers(world, state, app.show);
  fillReasons(world);
  showState(map, world, state, app);
  markScale(painting.last);
  listenMap(map, state, painting, app);
  listenTable(state, app);
  listenTabs(state, app);
  listenCard(state, app);
  listenTools(world, state, app);
  listenSearch(world, app);
  listenPicks(world, state, app);
  listenPrint(map, state, painting, app);
  listenHelp();
  window.addEventListener("hashchange", () => {
    if (location.hash === state.hash) return;
    Object.assign(state, makeState(world));
    const place = readHash(world, state, location.hash);
    showState(map, world, state, app);
    if (place) map.setView([place[0], place[1]], place[2], { animate: false });
  });
  new ResizeObserver(() => map.invalidateSize({ animate: false })).observe(map.getContainer());
  document.documentElement.dataset.ready = "yes";
}

function trouble(text) {
  byId("trouble").textContent = text;
  byId("trouble").hidden = false;
}

if (typeof DecompressionStream === "undefined") {
  trouble("This browser is too old to open the data of this map. A current Firefox, Chrome, Edge or Safari shows it.");
} else {
  unpack(byId("payload").textContent).then(begin);
}
