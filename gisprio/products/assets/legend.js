/* The legend: what colours and forms mean, following what is shown; and the switches of the layers. */

const GAP_NOTE = "dashed: uncertain", ZOOM_NOTE = "zoom in";

/* Orders of rank, and need as the fourth way to colour. */
function colourings(world) {
  return [...world.orders.map((order) => [order.name, order.ranked > 0]), ["Need", world.orders[0].ranked > 0]];
}

function fillOrders(world, state, change) {
  byId("orders").replaceChildren(...colourings(world).map(([name, any], place) => {
    const label = element("label"), input = element("input");
    input.type = "radio";
    input.name = "order";
    input.value = place < world.orders.length ? world.orders[place].value : "need";
    input.checked = place === state.order;
    input.disabled = !any;
    input.addEventListener("change", () => change(place));
    label.append(input, element("span", "", name));
    return label;
  }));
}

function markOrder(state) {
  document.querySelectorAll("#orders input").forEach((input, place) => { input.checked = place === state.order; });
}

/* Classes banks are drawn in, most urgent first: colour, width on screen, casing. */
function bankClasses(world, place) {
  if (place < world.orders.length) return world.orders[place].classes.map((one, i) => ({ colour: one.colour, width: WIDTHS[i], casing: CASINGS[i] }));
  return world.needs.map((one, i) => ({ colour: one.colour, width: [4.8, 4, 4, 2.4][i], casing: CASINGS[i] }));
}

function fillClasses(world, state) {
  byId("classes").hidden = !state.show.banks;
  const items = state.order < world.orders.length ? rankItems(world, state.order) : needItems(world);
  if (state.kept.bank) items.push(swatchItem((pen) => lineSwatch(pen, DIMMED, 1.2), "Outside the filter", ""));
  byId("classes").replaceChildren(...items);
  byId("reasons").hidden = !byId("reasons-list").children.length || !state.show.banks;
}

function rankItems(world, place) {
  const order = world.orders[place], classes = bankClasses(world, place), items = [];
  if (order.ranked) items.push(headItem("Share of ranked banks", "Rank"));
  order.classes.forEach((c, i) => {
    if (c.high < c.low) return;
    const ranks = c.low === c.high ? plain(c.low, 0) : `${plain(c.low, 0)} to ${plain(c.high, 0)}`;
    items.push(swatchItem((pen) => bankSwatch(pen, classes[i]), c.says, ranks));
  });
  return [...items, ...unrankedItem(world, world.now[order.rank])];
}

function needItems(world) {
  const classes = bankClasses(world, world.orders.length), counts = new Array(world.needs.length).fill(0);
  for (const code of world.now.need) if (code >= 0) counts[code]++;
  const items = world.needs.map((one, i) => swatchItem((pen) => bankSwatch(pen, classes[i]), one.says, plain(counts[i], 0)));
  return [headItem(`High is ${plain(world.about.need_at, 0)} of 100 or more`, "Banks"), ...items, ...unrankedItem(world, world.now.rank)];
}

function unrankedItem(world, rank) {
  const count = rank.reduce((sum, value) => sum + Number(!(value > 0)), 0);
  if (!count) return [];
  return [swatchItem((pen) => lineSwatch(pen, world.colours.not_ranked, 1.2, [4, 4]), "Not ranked", count === 1 ? "1 bank" : `${plain(count, 0)} banks`)];
}

/* Why banks are not ranked, and how many of them, so that a dashed line is never a riddle. */
function fillReasons(world) {
  const found = new Map();
  world.banks.reach.forEach((_, bank) => {
    const reason = world.banks.not_ranked(bank);
    if (reason) found.set(reason, (found.get(reason) || 0) + 1);
  });
  byId("reasons-count").textContent = "Why some are not ranked";
  const rows = [...found].sort((a, b) => b[1] - a[1]).map(([reason, count]) => {
    const line = element("li");
    line.append(foreign("span", "", reason), element("span", "", plain(count, 0)));
    return line;
  });
  byId("reasons-list").replaceChildren(...rows);
}

function headItem(left, right) {
  const item = element("li", "head");
  item.append(element("span", "", left), element("span", "", right));
  return item;
}

function swatchItem(draw, name, more) {
  const item = element("li");
  item.append(swatch(draw), element("span", "", name), element("span", "", more));
  return item;
}

function swatch(draw) {
  const canvas = element("canvas"), ratio = 2;
  canvas.width = 34 * ratio;
  canvas.height = 16 * ratio;
  canvas.setAttribute("aria-hidden", "true");
  const pen = canvas.getContext("2d");
  pen.scale(ratio, ratio);
  pen.lineCap = "round";
  draw(pen);
  return canvas;
}

function lineSwatch(pen, colour, width, dash) {
  pen.beginPath();
  pen.moveTo(4, 8);
  pen.lineTo(30, 8);
  stroke(pen, colour, width, dash);
}

function bankSwatch(pen, { colour, width, casing }) {
  lineSwatch(pen, casing, width + 1.6);
  lineSwatch(pen, colour, width);
}

function boxSwatch(pen, colour, fill, width, dash) {
  pen.beginPath();
  pen.rect(3.5, 2.5, 27, 11);
  if (fill) { pen.fillStyle = fill; pen.fill(); }
  stroke(pen, colour, width, dash);
}

function gapSwatch(pen, colour) {
  pen.fillStyle = hatch(pen, colour);
  pen.fillRect(2.5, 2.5, 13, 11);
  pen.fillRect(18.5, 2.5, 13, 11);
  pen.beginPath();
  pen.rect(2.5, 2.5, 13, 11);
  stroke(pen, colour, 1.3);
  pen.beginPath();
  pen.rect(18.5, 2.5, 13, 11);
  stroke(pen, colour, 1.3, [3, 2.5]);
}

/* Layers that are there: key, name, note, swatch, and whether they are drawn at any scale. */
function layerRows(world) {
  const colours = world.colours, size = world.about.exaggeration;
  return [
    ["banks", "Stream banks", "", (pen) => bankSwatch(pen, bankClasses(world, 0)[1]), "far"],
    ...(world.streams.length ? [["names", "Stream names", "", (pen) => nameSwatch(pen, colours.flow), "far"]] : []),
    ...(world.gaps.bank.length ? [["gaps", "Gaps", GAP_NOTE, (pen) => gapSwatch(pen, colours.gap), "gaps"]] : []),
    ...SYMBOLS.filter((one) => layerHas(world, one.key)).map((one) => [one.key, one.name, one.more || "", (pen) => one.swatch(pen, colours), one.scale]),
    ...(world.properties.count ? [["properties", "Properties", "", (pen) => boxSwatch(pen, colours.property, null, 1), "far"]] : []),
    ...(shadeLayer() ? [["shade", world.about.has_image ? "Image" : "Hillshade", size > 1 ? `heights \u00d7${size}` : "", (pen) => boxSwatch(pen, "#aab0b4", "#cfd3d4", 1), "far"]] : []),
    ...(world.about.tiles ? [["tiles", "Online map", "asks the network", (pen) => boxSwatch(pen, "#aab0b4", "#e9edf0", 1), "far"]] : []),
  ];
}

function fillLayers(world, state, change) {
  byId("layers").append(...layerRows(world).map(([key, name, more, draw, scale]) => {
    const label = element("label"), input = element("input"), text = element("span", "", name);
    input.type = "checkbox";
    input.name = key;
    input.checked = state.show[key];
    input.addEventListener("change", () => change(key, input.checked));
    const note = element("small", key, more);
    note.dataset.note = more;
    note.dataset.scale = scale;
    text.append(" ", note);
    label.append(input, swatch(draw), text);
    return label;
  }));
}

/* Say in the legend which layers cannot be seen at this scale. */
function markScale(view) {
  const seen = { far: true, gaps: gapsFit(view), symbols: symbolsFit(view), flows: view.metres < FLOWS_M };
  byId("far-note").hidden = !tooFar(view);
  for (const note of document.querySelectorAll("#layers small")) {
    note.textContent = seen[note.dataset.scale] ? note.dataset.note : ZOOM_NOTE;
    note.closest("label").classList.toggle("unseen-here", !seen[note.dataset.scale]);
  }
}

function markLayers(state) {
  for (const input of document.querySelectorAll("#layers input")) input.checked = state.show[input.name];
}
