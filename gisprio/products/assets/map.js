/* Start: data, map, and what happens on a click, a key or a choice. */

function makeWorld(data) {
  const world = { about: data.about, orders: data.orders, colours: data.colours };
  for (const name of ["reaches", "banks", "gaps", "properties"]) world[name] = columns(data[name]);
  world.factors = data.factors.map(columns);
  world.banksOf = Array.from({ length: world.reaches.shapes.count }, () => []);
  world.banks.reach.forEach((reach, bank) => world.banksOf[reach].push(bank));
  return world;
}

function makeState() {
  return { order: 0, list: "bank", selected: null, show: { banks: true, gaps: true, properties: true, shade: true } };
}

function addControls(map, world) {
  const us = world.about.system === "us";
  L.control.zoom({ position: "topleft" }).addTo(map);
  L.control.scale({ position: "bottomright", metric: !us, imperial: us, maxWidth: 140 }).addTo(map);
  const north = L.control({ position: "bottomright" });
  north.onAdd = northArrow;
  north.addTo(map);
}

function northArrow() {
  const box = element("div", "north"), space = "http://www.w3.org/2000/svg";
  const picture = document.createElementNS(space, "svg"), shape = document.createElementNS(space, "path");
  picture.setAttribute("width", "18");
  picture.setAttribute("height", "22");
  picture.setAttribute("role", "img");
  picture.setAttribute("aria-label", "North is up");
  shape.setAttribute("d", "M9 1 L16 20 L9 15.5 L2 20 Z");
  shape.setAttribute("fill", "#1d2733");
  picture.append(shape);
  box.append(picture, element("span", "", "N"));
  return box;
}

function shadeLayer() {
  return window.hillshade_watershed || null;
}

/* Everything that changes what is seen goes through here. */
function makeApp(map, world, state, painting) {
  const app = {
    select(chosen, zoom) {
      state.selected = chosen;
      byId("card").hidden = !chosen;
      if (chosen) fillCard(world, chosen);
      if (chosen && chosen.kind !== state.list) app.showList(chosen.kind);
      else markRow(state);
      if (chosen) app.goTo(chosen, zoom);
      painting.paint();
    },
    goTo({ kind, row }, zoom) {
      const shapes = kind === "bank" ? world.reaches.shapes : world.properties.shapes;
      const bounds = boundsOf(shapes, [kind === "bank" ? world.banks.reach[row] : row]);
      if (zoom && narrow()) window.scrollTo(0, 0);
      if (zoom) map.fitBounds(bounds, { ...room(), maxZoom: 16.5 });
      else if (!map.getBounds().contains(bounds.getCenter())) map.panTo(bounds.getCenter());
    },
    showList(kind) {
      state.list = kind;
      for (const [id, own] of [["tab-banks", "bank"], ["tab-properties", "property"]]) {
        byId(id).setAttribute("aria-selected", String(own === kind));
        byId(id).tabIndex = own === kind ? 0 : -1;
        if (own === kind) byId("list").setAttribute("aria-labelledby", id);
      }
      fillList(world, state);
    },
    order(place) {
      state.order = place;
      fillClasses(world, state);
      painting.paint();
    },
    show(key, on) {
      state.show[key] = on;
      const shade = shadeLayer();
      if (key !== "shade") painting.paint();
      else if (shade && on) shade.addTo(map);
      else if (shade) shade.remove();
    },
  };
  return app;
}

function firstRoom() {
  const left = window.innerWidth > 1100 ? 300 : 50;
  return { paddingTopLeft: [left, 30], paddingBottomRight: [narrow() ? 30 : 60, 40] };
}

/* Free room around what is zoomed to: the card and the legend lie on the map where it is wide. */
function room() {
  return narrow()
    ? { paddingTopLeft: [50, 30], paddingBottomRight: [30, 50] }
    : { paddingTopLeft: [270, 40], paddingBottomRight: [370, 40] };
}

function listenMap(map, world, state, painting, app) {
  const coarse = window.matchMedia("(pointer: coarse)").matches;
  map.on("click", (event) => {
    const found = painting.find(event.containerPoint, coarse ? 16 : 9);
    if (found || state.selected) app.select(found, false);
  });
  map.on("moveend", () => markGaps(gapsFit(painting.last)));
  map.on("mousemove", (event) => {
    if (map.dragging.moving && map.dragging.moving()) return;
    map.getContainer().classList.toggle("pointing", painting.find(event.containerPoint, 7) !== null);
  });
}

function listenList(state, app) {
  const rows = byId("rows");
  rows.addEventListener("click", (event) => {
    const button = event.target.closest(".row");
    if (button) app.select({ kind: state.list, row: Number(button.dataset.row) }, true);
  });
  rows.addEventListener("keydown", (event) => {
    const buttons = [...rows.querySelectorAll(".row")], at = buttons.indexOf(document.activeElement);
    const next = { ArrowDown: at + 1, ArrowUp: at - 1, Home: 0, End: buttons.length - 1 }[event.key];
    if (next === undefined || !buttons[next]) return;
    event.preventDefault();
    buttons[next].focus();
    app.select({ kind: state.list, row: Number(buttons[next].dataset.row) }, false);
  });
}

function listenPanel(state, app) {
  byId("tab-banks").addEventListener("click", () => app.showList("bank"));
  byId("tab-properties").addEventListener("click", () => app.showList("property"));
  document.querySelector(".tabs").addEventListener("keydown", (event) => {
    if (event.key !== "ArrowLeft" && event.key !== "ArrowRight") return;
    app.showList(state.list === "bank" ? "property" : "bank");
    byId(state.list === "bank" ? "tab-banks" : "tab-properties").focus();
  });
  byId("card-close").addEventListener("click", () => closeCard(app));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && state.selected) closeCard(app);
  });
}

function closeCard(app) {
  const inside = byId("card").contains(document.activeElement);
  app.select(null, false);
  const row = document.querySelector('#rows .row[tabindex="0"]');
  if (inside) (row || byId("tab-banks")).focus();
}

function begin(data) {
  const map = window.map_watershed, world = makeWorld(data), state = makeState();
  const shapes = world.reaches.shapes;
  if (shapes.count) map.fitBounds(boundsOf(shapes, [...Array(shapes.count).keys()]), { ...firstRoom(), animate: false });
  map.setMinZoom(Math.max(0, map.getZoom() - 2));
  const painting = new Painting(world, state).addTo(map), app = makeApp(map, world, state, painting);
  addControls(map, world);
  if (narrow()) byId("legend-box").open = false;
  fillPanel(world);
  fillOrders(world, state, app.order);
  fillClasses(world, state);
  fillLayers(world, state, app.show);
  fillList(world, state);
  markGaps(gapsFit(painting.last));
  listenMap(map, world, state, painting, app);
  listenList(state, app);
  listenPanel(state, app);
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
